package bench

import (
	"fmt"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/measure"
)

// inputGain is the gain from the input to the output of a path, in dB of volts.
type inputGain struct {
	db       float64
	measured bool    // false: the plan states it
	off      float64 // uncertainty of a measured gain
}

// inputGainOf returns the gain of a condition: measured with its marks where the calibrations
// of input and output relate it to volts, otherwise the plan's. The suffix is that of the
// channel.
func (c *Collector) inputGainOf(condition int, suffix string) inputGain {
	of := c.conditions[condition]
	if of.Path.Calibration != nil && of.Path.InputCalibration != nil {
		for k, item := range c.items[condition] {
			if item.Unmarked || len(c.taken[condition][k]) == 0 {
				continue
			}
			if r := joined(item, "gain_db"+suffix, c.taken[condition][k]); r.Value != nil {
				return inputGain{*r.Value + of.Path.Calibration.FullScaleDBu - of.Path.InputCalibration.FullScaleDBu, true, r.Uncertainty}
			}
		}
	}
	return inputGain{db: *of.GainDB}
}

// isInputNoise reports whether an error of the gain is an error of the reading, of the same
// size.
func isInputNoise(reading string) bool {
	return strings.HasPrefix(reading, "equivalent_input_noise") || strings.HasPrefix(reading, "noise_figure")
}

// withInputNoise adds the noise at the input to each recording of a terminated input, for each
// weighting in which thermal noise can be computed.
func (c *Collector) withInputNoise(condition int, item Item, taken []result) (all []result) {
	for _, t := range taken {
		t.readings = slices.Clone(t.readings)
		for channel := range item.Path.Channels {
			suffix := ""
			if item.Path.Channels > 1 {
				suffix = fmt.Sprintf("_ch%d", channel+1)
			}
			t.readings = append(t.readings, inputNoise(item, t.readings, c.inputGainOf(condition, suffix), suffix)...)
		}
		all = append(all, t)
	}
	return all
}

// assumeGain states in the rows of input noise that they assume the plan's gain, where the gain
// was not measured.
func (c *Collector) assumeGain(condition int, item Item, rows []Row) {
	for i, r := range rows {
		if isInputNoise(r.Reading) && r.Value != nil && !c.inputGainOf(condition, channelSuffix(r.Reading)).measured {
			rows[i].Assumes = fmt.Sprintf("the plan's gain of %g dB", *item.GainDB)
		}
	}
}

func inputNoise(item Item, r measure.Readings, gain inputGain, suffix string) (all measure.Readings) {
	for name, kind := range map[string]struct{ weighting, infix string }{"idle_noise_dbu": {"none", ""}, "idle_noise_a_dbu": {"A", "_a"}} {
		n, has := r.Get(name + suffix)
		if !has || !n.Measurable() {
			continue
		}
		bandwidth := 20000.0
		noise := measure.Level{Value: n.Value, Unit: measure.DBU}
		e, err := measure.InputNoise{Noise: &noise, GainDB: &gain.db, SourceOhm: &item.Path.SourceOhm, BandwidthHz: &bandwidth, Weighting: kind.weighting, TemperatureC: 20}.Equivalent()
		if err != nil {
			continue
		}
		for _, got := range e.Readings {
			if isInputNoise(got.Name) {
				got.AddBound(n.Bound)
				if gain.measured {
					got.AddBound(fmt.Sprintf("±%.2g dB from the measured gain", gain.off))
				} else {
					got.AddBound("the gain is that of the plan: an error of it is an error of this reading")
				}
			}
			got.Name = strings.Replace(got.Name, "_noise_", "_noise"+kind.infix+"_", 1) + suffix
			if strings.HasPrefix(got.Name, "noise_figure") {
				got.Name = strings.Replace(got.Name, "noise_figure", "noise_figure"+kind.infix, 1)
			}
			all = append(all, got)
		}
	}
	return all
}
