package bench

import (
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// outputImpedance computes the impedance of the output from a row with a load and the same row
// without one, and the effect of that impedance on the plan's headphone.
func (c *Collector) outputImpedance(rows []Row, row Row) (all []Row, findings []Lack) {
	load := row.of.LoadOhm
	if load == 0 || !strings.HasPrefix(row.Reading, "tone_dbfs") || row.Test != row.of.Path.loadTest(c.plan) {
		return nil, nil
	}
	for _, open := range rows {
		of := open.of.Condition
		of.LoadOhm = load
		if open.Value == nil || open.of.LoadOhm != 0 || open.Test != row.Test || open.Reading != row.Reading || of.String() != row.of.String() {
			continue
		}
		// Each level may be off by its uncertainty.
		off := open.Uncertainty + row.Uncertainty
		loaded := *row.Value
		if loaded > *open.Value && loaded <= *open.Value+off {
			loaded = *open.Value // the difference is too small to be measured
		}
		r, err := measure.OutputImpedance(measure.Level{Value: *open.Value, Unit: measure.DBFSSine}, measure.Level{Value: loaded, Unit: measure.DBFSSine}, load, nil)
		if err != nil {
			findings = append(findings, Lack{row.Path + ", " + row.Condition, err.Error(), "record both conditions again at one setting of the output", row.Path})
			continue
		}
		suffix := channelSuffix(row.Reading)
		impedance, _ := r.Get("output_impedance_ohm")
		ohms := (load + impedance.Value) * (dsp.DBToAmplitude(off) - 1)
		drop, _ := r.Get("load_drop_db")
		if impedance.Value < ohms {
			// The levels differ by less than their uncertainty, so only a bound is known.
			impedance.Value += ohms
			impedance.AddBound("the levels differ by less than their uncertainty: an upper bound")
		}
		got := from("output_impedance_ohm"+suffix, impedance, ohms, open, row)
		got.AtMost = strings.Contains(got.Bound, "upper bound")
		got.Condition = row.Condition
		fall := from("load_drop_db"+suffix, drop, off, open, row)
		fall.Condition = row.Condition
		all = append(all, got, fall)
		all = append(all, headphoneResponse(impedance.Value, got)...)
	}
	return all, findings
}

// loadTest returns the name of the test whose tone is compared with and without a load:
// balance, or else the loudest of distortion.
func (p *Path) loadTest(plan *Plan) string {
	for _, name := range []string{"balance", "distortion"} {
		for _, test := range p.Tests {
			if test == name {
				return plan.signalsOf(name, p, p.LevelDBFS[0])[0].name
			}
		}
	}
	return ""
}

// headphoneResponse returns the effect of a source impedance on the response of the plan's
// headphone, whose impedance rises at its resonance.
func headphoneResponse(sourceOhm float64, of Row) (all []Row) {
	p := of.of.Path
	if p.HeadphonePeakOhm == 0 {
		return nil
	}
	curve, err := measure.ResonantLoad{DCOhm: p.HeadphoneOhm, PeakOhm: p.HeadphonePeakOhm, ResonanceHz: p.HeadphoneResonanceHz, Q: p.HeadphoneQ}.Curve()
	if err != nil {
		return nil // ReadPlan has checked the values
	}
	_, r, err := measure.LoadResponse(sourceOhm, curve)
	if err != nil {
		return nil
	}
	_, more, err := measure.LoadResponse(sourceOhm+of.Uncertainty, curve)
	if err != nil {
		return nil
	}
	for _, n := range r {
		if n.Name != "response_spread_db" && n.Name != "largest_loss_db" {
			continue
		}
		larger, _ := more.Get(n.Name)
		row := from(n.Name+channelSuffix(of.Reading), n.Reading, larger.Value-n.Value, of)
		row.Condition, row.AtMost = of.Condition, of.AtMost
		all = append(all, row)
	}
	return all
}
