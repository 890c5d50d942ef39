package measure

import (
	"encoding/csv"
	"io"
	"math"
	"strconv"

	"github.com/boothbench/boothbench/dsp"
)

// Table is a curve as numbers: what a response or a characteristic is drawn from.
type Table struct {
	Columns []string    // names that end in their units
	Rows    [][]float64 // NaN or infinite: there is no value
}

// Tabled is an instrument that has a curve beside its readings.
type Tabled interface {
	Instrument
	// Table takes what Analyse takes.
	Table(rate int, response dsp.Block) (Table, error)
}

// WriteCSV writes the table as comma-separated values (RFC 4180), with a header; a
// value that is not there is an empty field.
func (t Table) WriteCSV(w io.Writer) error {
	out := csv.NewWriter(w)
	if err := out.Write(t.Columns); err != nil {
		return err
	}
	fields := make([]string, len(t.Columns))
	for _, row := range t.Rows {
		for i, v := range row {
			fields[i] = ""
			if v-v == 0 {
				fields[i] = strconv.FormatFloat(v, 'g', 10, 64)
			}
		}
		if err := out.Write(fields); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// curveTable is the table of each channel's response at some frequencies.
func curveTable(curves []*FrequencyResponse, hz []float64) Table {
	t := Table{Columns: []string{"frequency_hz"}}
	for c := range curves {
		for _, name := range []string{"gain_db", "phase_deg", "group_delay_ms"} {
			t.Columns = append(t.Columns, ofChannel(Readings{{Name: name}}, c, len(curves))[0].Name)
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

// Table is the response from one end to the other, 48 points an octave.
func (s SweepResponse) Table(rate int, response dsp.Block) (Table, error) {
	curves, err := s.Curves(rate, response)
	if err != nil {
		return Table{}, err
	}
	var hz []float64
	for at := curves[0].Hz[0]; at < curves[0].Hz[len(curves[0].Hz)-1]; at *= math.Exp2(1.0 / 48) {
		hz = append(hz, at)
	}
	return curveTable(curves, hz), nil
}

// Table is the response at the tones.
func (m MultitoneResponse) Table(rate int, response dsp.Block) (Table, error) {
	curves, err := m.Curves(rate, response)
	if err != nil {
		return Table{}, err
	}
	return curveTable(curves, curves[0].Hz), nil
}
