package bench

import (
	"fmt"
	"math"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// inputNoise adds to the noise of a terminated input what it is at the input, for each
// weighting that thermal noise can be computed in.
func inputNoise(item Item, r measure.Readings) measure.Readings {
	all := r
	if item.Path.Calibration != nil {
		all = r.Calibrated(*item.Path.Calibration)
	}
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
			if !has {
				n, has = all.Get(strings.TrimSuffix(name, "_dbu") + suffix + "_dbu")
			}
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

// derived are the rows that follow from several: an output's impedance from its level
// with and without a load, and noise of headphones in dB SPL.
func (c *Collector) derived(rows []Row) (all []Row) {
	for _, row := range rows {
		path := c.plan.path(row.Path)
		if path == nil || row.Value == nil {
			continue
		}
		if spl, is := headphoneNoise(path, row); is {
			all = append(all, spl)
		}
		if row.Test != "balance" && !strings.HasPrefix(row.Test, "distortion") || !strings.HasPrefix(row.Reading, "tone_dbfs") || !strings.Contains(row.Condition, "load ") {
			continue
		}
		load := 0.0
		fmt.Sscanf(row.Condition[strings.Index(row.Condition, "load ")+5:], "%g", &load)
		for _, open := range rows {
			if open.Path != row.Path || open.Test != row.Test || open.Reading != row.Reading || open.Value == nil || load == 0 ||
				open.Condition != strings.Replace(row.Condition, fmt.Sprintf("load %g ohm", load), "no load", 1) || open.Condition == row.Condition {
				continue
			}
			r, err := measure.OutputImpedance(measure.Level{Value: *open.Value, Unit: measure.DBFSSine}, measure.Level{Value: *row.Value, Unit: measure.DBFSSine}, load, nil)
			if err != nil {
				c.sheet.Findings = append(c.sheet.Findings, Lack{row.Path + ", " + row.Condition, err.Error(), "record both conditions again at one setting of the output"})
				continue
			}
			for _, n := range r {
				n.Name += strings.TrimPrefix(row.Reading, "tone_dbfs")
				got := rowOf(Item{Condition: Condition{Path: path}}, n)
				got.Condition, got.Test, got.Recordings = row.Condition, row.Test, append(append([]string{}, open.Recordings...), row.Recordings...)
				got.Values = []*float64{got.Value}
				if got.Value != nil {
					// Both levels may be off by their uncertainty.
					off := open.Uncertainty + row.Uncertainty
					got.Uncertainty = measure.JSONValue(off)
					if got.Unit == "ohm" {
						got.Uncertainty = measure.JSONValue((load + *got.Value) * (dsp.DBToAmplitude(off) - 1))
					}
				}
				all = append(all, got)
			}
		}
	}
	return all
}

// headphoneNoise is A-weighted noise of an output as the sound pressure that a headphone
// of the plan's sensitivity makes of it.
func headphoneNoise(p *Path, row Row) (Row, bool) {
	if !strings.HasPrefix(row.Reading, "idle_noise_a_dbu") || p.SensitivityDBPerVolt+p.SensitivityDBPerMilliwatt == 0 {
		return Row{}, false
	}
	dbv := *row.Value - 20*math.Log10(1/math.Sqrt(0.6))
	spl, definition := p.SensitivityDBPerVolt+dbv, fmt.Sprintf("A-weighted noise in dBV and %g dB SPL/V", p.SensitivityDBPerVolt)
	if p.SensitivityDBPerVolt == 0 {
		// 1 mW in the impedance is √(R/1000) volts.
		spl = p.SensitivityDBPerMilliwatt + dbv - 10*math.Log10(p.HeadphoneOhm/1000)
		definition = fmt.Sprintf("A-weighted noise in dBV, %g dB SPL/mW and %g ohm", p.SensitivityDBPerMilliwatt, p.HeadphoneOhm)
	}
	spl = measure.JSONValue(spl)
	row.Reading = "headphone_noise_a_db_spl" + strings.TrimPrefix(row.Reading, "idle_noise_a_dbu")
	row.Value, row.Values, row.Spread = &spl, []*float64{&spl}, nil
	row.Unit, row.Reference, row.Def = "dB SPL", "20 µPa", definition
	return row, true
}

// judge holds the claims of the plan against the rows.
func (p *Plan) judge(rows []Row) (all []Judged) {
	for _, c := range p.Claims {
		found := false
		for _, r := range rows {
			if r.Reading != c.Limit.Reading && !strings.HasPrefix(r.Reading, c.Limit.Reading+"_ch") || c.Path != "" && c.Path != r.Path || c.Test != "" && c.Test != r.Test {
				continue
			}
			found = true
			limit := c.Limit
			limit.Reading = r.Reading
			j := measure.Judge(p.Device, 0, measure.Readings{{Name: r.Reading, Reading: r.Measured()}}, limit)
			all = append(all, Judged{r.Path, r.Condition, r.Test, j.Verdict.String(), j.Sentence(), c.Why})
		}
		if !found {
			all = append(all, Judged{c.Path, "", c.Test, measure.Undecided.String(), c.Limit.Reading + ": no recording gave this reading", c.Why})
		}
	}
	return all
}
