package measure

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"

	"github.com/boothbench/boothbench/dsp"
)

// Table is a curve as numbers: what a response or a characteristic is drawn from.
type Table struct {
	Columns []string    // names that end in their units
	Rows    [][]float64 // a value for each column; NaN or infinite: there is none
}

// WriteCSV writes the table as comma-separated values (RFC 4180), with a header; a
// value that is not there is an empty field.
func (t Table) WriteCSV(w io.Writer) error {
	out := csv.NewWriter(w)
	if err := out.Write(t.Columns); err != nil {
		return err
	}
	fields := make([]string, len(t.Columns))
	for k, row := range t.Rows {
		if len(row) != len(t.Columns) {
			return fmt.Errorf("row %d of the table has %s; accepted: %d, one for each column", k+1, dsp.Plural(len(row), "value"), len(t.Columns))
		}
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
