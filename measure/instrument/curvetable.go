package instrument

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// Tabled is an instrument that has a curve beside its readings.
type Tabled interface {
	Instrument
	// Table takes what Analyse takes.
	Table(rate int, response dsp.Block) (measure.Table, error)
}

// curveTable is the table of each channel's response at some frequencies.
func curveTable(curves []*FrequencyResponse, hz []float64) measure.Table {
	t := measure.Table{Columns: []string{"frequency_hz"}}
	for c := range curves {
		for _, name := range []string{"gain_db", "phase_deg", "group_delay_ms"} {
			t.Columns = append(t.Columns, ofChannel(measure.Readings{{Name: name}}, c, len(curves))[0].Name)
		}
	}
	phases := make([][]float64, len(curves))
	for c, f := range curves {
		phases[c] = f.PhaseDegrees(0)
	}
	for _, at := range hz {
		row := []float64{at}
		for c, f := range curves {
			row = append(row, f.DB(at), f.between(at, func(i int) float64 { return phases[c][i] }), f.DelayMs(at))
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// Table is the response from one end to the other, 48 points an octave, and the
// harmonics that [SweepDistortion] finds.
func (s SweepResponse) Table(rate int, response dsp.Block) (measure.Table, error) {
	curves, err := s.Curves(rate, response)
	if err != nil {
		return measure.Table{}, err
	}
	var hz []float64
	for at := curves[0].Hz[0]; at < curves[0].Hz[len(curves[0].Hz)-1]; at *= math.Exp2(1.0 / 48) {
		hz = append(hz, at)
	}
	sent, err := s.Sweep.Make(rate)
	if err != nil {
		return measure.Table{}, err
	}
	soon := make(dsp.Block, len(response)) // no harmonic comes more than a second behind the sweep
	for c, plane := range response {
		soon[c] = plane[:min(len(plane), sent.Frames()+rate)]
	}
	harmonics, err := SweepDistortion{Sweep: s.Sweep}.curvesAt(hz, rate, soon)
	if err != nil {
		return measure.Table{}, err
	}
	t := curveTable(curves, hz)
	addHarmonics(&t, harmonics)
	return t, nil
}

// Table is the response at the tones.
func (m MultitoneResponse) Table(rate int, response dsp.Block) (measure.Table, error) {
	curves, err := m.Curves(rate, response)
	if err != nil {
		return measure.Table{}, err
	}
	return curveTable(curves, curves[0].Hz), nil
}
