package instrument

import (
	"math"

	"github.com/boothbench/boothbench/measure"
)

// Tabled is an instrument with a curve in addition to its readings.
type Tabled interface {
	Instrument
	// Table has the parameters of Analyse.
	Table(rate int, response Response) (measure.Table, error)
}

// curveTable begins a table over frequency.
func curveTable(hz []float64) measure.Table {
	t := measure.Table{Columns: []string{"frequency_hz"}}
	for _, at := range hz {
		t.Rows = append(t.Rows, []float64{at})
	}
	return t
}

// addCurve adds one channel's response to a table over frequency.
func addCurve(t *measure.Table, f *FrequencyResponse, channel, channels int) {
	for _, name := range []string{"gain_db", "phase_deg", "group_delay_ms"} {
		t.Columns = append(t.Columns, ofChannel(measure.Readings{{Name: name}}, channel, channels)[0].Name)
	}
	phases := f.PhaseDegrees(0)
	for i, row := range t.Rows {
		at := row[0]
		t.Rows[i] = append(row, f.DB(at), f.between(at, func(i int) float64 { return phases[i] }), f.DelayMs(at))
	}
}

// Table is the response over the whole band, with 48 points an octave, and the harmonics from
// [SweepDistortion].
func (s SweepResponse) Table(rate int, response Response) (measure.Table, error) {
	var t measure.Table
	var hz []float64
	err := s.eachCurve(rate, response, func(c int, _ []float64, f *FrequencyResponse) {
		if c == 0 {
			for at := f.Hz[0]; at < f.Hz[len(f.Hz)-1]; at *= math.Exp2(1.0 / 48) {
				hz = append(hz, at)
			}
			t = curveTable(hz)
		}
		addCurve(&t, f, c, response.Channels())
	})
	if err != nil {
		return measure.Table{}, err
	}
	sent, err := s.Sweep.Make(rate)
	if err != nil {
		return measure.Table{}, err
	}
	// No harmonic arrives more than a second after the sweep.
	harmonics, err := SweepDistortion{Sweep: s.Sweep}.curvesAt(hz, rate, beginning{response, sent.Frames() + rate})
	if err != nil {
		return measure.Table{}, err
	}
	addHarmonics(&t, harmonics)
	return t, nil
}

// Table is the response at the tones.
func (m MultitoneResponse) Table(rate int, response Response) (measure.Table, error) {
	curves, err := m.Curves(rate, response)
	if err != nil {
		return measure.Table{}, err
	}
	t := curveTable(curves[0].Hz)
	for c, f := range curves {
		addCurve(&t, f, c, len(curves))
	}
	return t, nil
}
