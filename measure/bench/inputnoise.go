package bench

import (
	"fmt"
	"strings"

	"github.com/boothbench/boothbench/measure"
)

// inputNoise adds to the noise of a terminated input what it is at the input, for each
// weighting that thermal noise can be computed in.
func inputNoise(item Item, r measure.Readings) measure.Readings {
	all := item.Path.calibrated(r)
	if item.GainDB == nil || item.Path.Calibration == nil || item.Path.SourceOhm == 0 {
		return all
	}
	for c := range item.Path.Channels {
		suffix := ""
		if item.Path.Channels > 1 {
			suffix = fmt.Sprintf("_ch%d", c+1)
		}
		for name, kind := range map[string]struct{ weighting, infix string }{"idle_noise_dbu": {"none", ""}, "idle_noise_a_dbu": {"A", "_a"}} {
			n, has := all.Get(name + suffix)
			if !has || !n.Measurable() {
				continue
			}
			bandwidth := 20000.0
			noise := measure.Level{Value: n.Value, Unit: measure.DBU}
			e, err := measure.InputNoise{Noise: &noise, GainDB: item.GainDB, SourceOhm: &item.Path.SourceOhm, BandwidthHz: &bandwidth, Weighting: kind.weighting, TemperatureC: 20}.Equivalent()
			if err != nil {
				continue
			}
			for _, got := range e.Readings {
				if !strings.HasPrefix(got.Name, "thermal") {
					got.AddBound(n.Bound)
					got.AddBound("an error of the gain, which is as the plan states it, is one of this")
				}
				got.Name = strings.Replace(got.Name, "_noise_", "_noise"+kind.infix+"_", 1) + suffix
				if strings.HasPrefix(got.Name, "noise_figure") {
					got.Name = strings.Replace(got.Name, "noise_figure", "noise_figure"+kind.infix, 1)
				}
				all = append(all, got)
			}
		}
	}
	return all
}
