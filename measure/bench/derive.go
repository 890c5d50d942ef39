package bench

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
)

// derived returns the rows that follow from others, and the contradictions among them as
// findings.
func (c *Collector) derived(rows []Row) (all []Row, findings []Lack) {
	for _, row := range rows {
		if row.Value == nil {
			continue
		}
		all = append(all, headphoneNoise(row)...)
		impedance, wrong := c.outputImpedance(rows, row)
		all, findings = append(all, impedance...), append(findings, wrong...)
		all = append(all, roundTrip(row)...)
		all = append(all, latencyAdded(rows, row)...)
		all = append(all, fullScaleInput(row)...)
	}
	return slices.Concat(all, gainRange(rows), worstOvershoot(rows)), findings
}

// from returns the row of a reading that follows from other rows. It has the condition of the
// first of these, and off is its uncertainty, either way.
func from(name string, r measure.Reading, off float64, rows ...Row) Row {
	row := rowOf(*rows[0].of, measure.Named{Name: name, Reading: r})
	row.Test, row.Stimulus = rows[0].Test, rows[0].Stimulus
	row.Values, row.Uncertainty = []*float64{row.Value}, measure.JSONValue(off)
	for _, of := range rows {
		row.Recordings = append(row.Recordings, of.Recordings...)
	}
	return row
}

// channelSuffix returns the end of a reading's name that states its channel, such as "_ch2"; ""
// without one.
func channelSuffix(reading string) string {
	if at := strings.LastIndex(reading, "_ch"); at >= 0 {
		return reading[at:]
	}
	return ""
}

// roundTrip returns the mean, the least, the largest and the spread of a loopback's latency
// over its repeats.
func roundTrip(row Row) (all []Row) {
	if row.of.Path.Kind != "loopback" || !strings.HasPrefix(row.Reading, "latency_frames") {
		return nil
	}
	var runs []measure.Readings
	for _, v := range row.Values {
		if v != nil {
			runs = append(runs, measure.Readings{{Name: "latency_frames", Reading: measure.Reading{Value: *v}}})
		}
	}
	off := max(stated(row.Bound), resolution("frames", 0))
	for _, n := range instrument.RoundTrip(runs, row.of.RateHz) {
		n.Bound = row.Bound
		one := off
		if n.Unit == "ms" {
			one *= 1000 / float64(row.of.RateHz)
			n.Bound = ""
		}
		if strings.Contains(n.Name, "spread") {
			one *= 2
		}
		all = append(all, from(n.Name+channelSuffix(row.Reading), n.Reading, one, row))
	}
	return all
}

// latencyAdded returns the latency of an effect less that of the loopback at the same rate and
// buffer size.
func latencyAdded(rows []Row, row Row) (all []Row) {
	if kind := row.of.Path.Kind; kind != "effect" && kind != "processor" && kind != "limiter" || !strings.HasPrefix(row.Reading, "latency_frames") {
		return nil
	}
	for _, other := range rows {
		if other.Value == nil || other.Reading != row.Reading || other.of.Path.Kind != "loopback" || other.of.RateHz != row.of.RateHz || other.of.BufferFrames != row.of.BufferFrames {
			continue
		}
		var r measure.Readings
		r.AddFrames("latency_added", *row.Value-*other.Value, row.of.RateHz, measure.Reading{Reference: "path " + other.Path, Definition: "latency of this path less that of the loopback at the same rate and buffer size"})
		off := row.Uncertainty + other.Uncertainty
		for _, n := range r {
			one := off
			if n.Unit == "ms" {
				one *= 1000 / float64(row.of.RateHz)
			}
			all = append(all, from(n.Name+channelSuffix(row.Reading), n.Reading, one, row, other))
		}
		return all
	}
	return nil
}

// fullScaleInput returns the level at a device's input that brings its converter to full scale.
func fullScaleInput(row Row) []Row {
	calibration := row.of.Path.InputCalibration
	if calibration == nil || row.Reading != "gain_db" && !strings.HasPrefix(row.Reading, "gain_db_ch") {
		return nil
	}
	r := measure.Reading{Value: calibration.FullScaleDBu - *row.Value, Unit: "dBu", Reference: "√0.6 V rms; at the input, played at " + calibration.String(), Definition: "level of a sine that the path brings to 0 dBFS: the input's calibration less the gain"}
	return []Row{from("full_scale_input_dbu"+channelSuffix(row.Reading), r, row.Uncertainty, row)}
}

// gainRange returns the range of a path's gain, and the error of each gain against the
// control's scale, relative to the lowest.
func gainRange(rows []Row) (all []Row) {
	for i, lowest := range rows {
		is := func(r Row) bool {
			a, b := lowest.of.Condition, r.of.Condition
			return r.Value != nil && r.Reading == lowest.Reading && r.of.GainDB != nil && a.Path == b.Path && a.LoadOhm == b.LoadOhm && a.RateHz == b.RateHz && a.BufferFrames == b.BufferFrames
		}
		if lowest.Reading != "gain_db" && !strings.HasPrefix(lowest.Reading, "gain_db_ch") || !is(lowest) {
			continue
		}
		highest, first := lowest, true
		var others []Row
		for k, r := range rows {
			if k == i || !is(r) {
				continue
			}
			first = first && *lowest.of.GainDB < *r.of.GainDB
			others = append(others, r)
			if *r.of.GainDB > *highest.of.GainDB {
				highest = r
			}
		}
		if !first || len(others) == 0 {
			continue
		}
		suffix := channelSuffix(lowest.Reading)
		about := measure.Reading{Unit: "dB", Reference: fmt.Sprintf("the gain at %g dB", *lowest.of.GainDB)}
		for _, r := range others {
			about.Value = *r.Value - *lowest.Value - (*r.of.GainDB - *lowest.of.GainDB)
			about.Definition = "measured less nominal difference of gain"
			all = append(all, from("gain_error_db"+suffix, about, r.Uncertainty+lowest.Uncertainty, r, lowest))
		}
		about.Value, about.Definition = *highest.Value-*lowest.Value, "gain at the highest setting of the plan less that at the lowest"
		span := from("gain_range_db"+suffix, about, highest.Uncertainty+lowest.Uncertainty, highest, lowest)
		span.Condition = fmt.Sprintf("gains %g to %g dB, %s", *lowest.of.GainDB, *highest.of.GainDB, lowest.of.withoutGain().Setting())
		all = append(all, span)
	}
	return all
}

func (c Condition) withoutGain() Condition {
	c.GainDB = nil
	return c
}

// headphoneNoise returns the sound pressure level of an output's A-weighted noise in a
// headphone of the plan's sensitivity.
func headphoneNoise(row Row) []Row {
	p := row.of.Path
	if !strings.HasPrefix(row.Reading, "idle_noise_a_dbu") || p.SensitivityDBPerVolt+p.SensitivityDBPerMilliwatt == 0 {
		return nil
	}
	dbv := *row.Value - 20*math.Log10(1/math.Sqrt(0.6))
	spl, definition := p.SensitivityDBPerVolt+dbv, fmt.Sprintf("A-weighted noise in dBV and %g dB SPL/V", p.SensitivityDBPerVolt)
	if p.SensitivityDBPerVolt == 0 {
		// 1 mW in R ohm is √(R/1000) V.
		spl = p.SensitivityDBPerMilliwatt + dbv - 10*math.Log10(p.HeadphoneOhm/1000)
		definition = fmt.Sprintf("A-weighted noise in dBV, %g dB SPL/mW and %g ohm", p.SensitivityDBPerMilliwatt, p.HeadphoneOhm)
	}
	spl = measure.JSONValue(spl)
	row.Reading = "headphone_noise_a_db_spl" + strings.TrimPrefix(row.Reading, "idle_noise_a_dbu")
	row.Value, row.Values, row.Spread = &spl, []*float64{&spl}, nil
	row.Unit, row.Reference, row.Def = "dB SPL", "20 µPa", definition
	return []Row{row}
}
