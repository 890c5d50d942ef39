package report

import (
	"fmt"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/bench"
)

// OfSheets makes the comparison of several devices from their sheets. Names are the file names
// of the sheets. A rubric grades the readings; nil: no grades.
func OfSheets(sheets []*bench.Sheet, names []string, rubric *bench.Rubric) Comparison {
	c := Comparison{Unjudged: true, Differs: bench.Differs(sheets)}
	if rubric != nil {
		c.Repeat = append(c.Repeat, fmt.Sprintf("grades by %s, SHA-256 %s", rubric.Name, rubric.Digest))
		for _, g := range rubric.Grades {
			c.Rubric = append(c.Rubric, g.String())
		}
	}
	for i, s := range sheets {
		c.Devices = append(c.Devices, s.Device)
		c.Repeat = append(c.Repeat, fmt.Sprintf("%s: %s, by the plan %s, SHA-256 %s", names[i], s.Device, s.Plan, s.PlanSHA256))
	}
	best, comparable, equal, bounds, neither := make([]int, len(sheets)), 0, 0, 0, 0
	for _, row := range bench.Compare(sheets) {
		r := ComparedReading{Group: fmt.Sprintf("%s, %s, %s", spaced(row.Test), row.Path, row.Condition), Name: row.Reading, Best: row.Best, Equal: row.Equal, Bounds: row.Bounds, Why: row.Why}
		for d, got := range row.Rows {
			one := measure.Reading{Reason: "not in its sheet", Frame: -1, Channel: -1}
			if got != nil {
				one = got.Shown()
			}
			r.Got = append(r.Got, one)
			r.Grades = append(r.Grades, rubric.Of(got))
			r.AtMost = append(r.AtMost, got != nil && got.AtMost)
			if row.Why == "" && row.Best[d] {
				best[d]++
			}
		}
		if row.Why == "" {
			comparable++
			switch {
			case row.Bounds:
				bounds++
			case row.Equal:
				equal++
			case !slices.Contains(row.Best, true):
				neither++
			}
		}
		c.Rows = append(c.Rows, r)
	}
	var counts []string
	for d, n := range best {
		counts = append(counts, fmt.Sprintf("%s in %d", c.Devices[d], n))
	}
	c.Answer = fmt.Sprintf("Of %s that can be compared, %d %s equal within the uncertainties, %d %s known of each device only as an upper bound, and for %d neither direction is better. In the rest a device is best, alone or with another: %s.",
		dsp.Plural(comparable, "reading"), equal, verb(equal, "is", "are"), bounds, verb(bounds, "is", "are"), neither, strings.Join(counts, ", "))
	c.addCurves(sheets, names)
	return c
}

// mostCurves is how many curves a page of devices shows.
const mostCurves = 12

// addCurves adds the curves that all sheets have, and notes those that are not drawn.
func (c *Comparison) addCurves(sheets []*bench.Sheet, names []string) {
	if len(sheets) == 0 {
		return
	}
	same := func(a, b bench.Curve) bool {
		return a.Path == b.Path && a.Condition == b.Condition && a.Test == b.Test && a.Channel == b.Channel && a.X == b.X
	}
	left := 0
	for i, s := range sheets {
		if len(s.Curves) == 0 && len(s.Rows) > 0 {
			c.Differs = append(c.Differs, fmt.Sprintf("%s has no curves: none of its tests has one, or an earlier version wrote the sheet.", names[i]))
		}
	}
	for _, first := range sheets[0].Curves {
		k := ComparedCurve{Name: fmt.Sprintf("curve-%d", len(c.Curves)+1), Title: fmt.Sprintf("%s, %s, %s, channel %d", upper(spaced(first.Test)), first.Path, first.Condition, first.Channel)}
		if k.X, k.XUnit = axisName(first.X); first.X == "frequency_hz" {
			k.LogX = true
		} else {
			k.X = "input"
		}
		if k.Y, k.YUnit = axisName(first.Y); first.Y == "out_dbfs" {
			k.Y = "output"
		}
		for _, s := range sheets {
			for _, other := range s.Curves {
				if same(first, other) && len(other.Points) > 0 {
					t := measure.Table{Columns: []string{other.X, other.Y}}
					for _, p := range other.Points {
						t.Rows = append(t.Rows, []float64{p[0], p[1]})
					}
					k.Tables = append(k.Tables, t)
					break
				}
			}
		}
		switch {
		case len(k.Tables) != len(sheets) || len(c.Curves) == mostCurves:
			left++
		default:
			k.Caption = c.spans(k)
			c.Curves = append(c.Curves, k)
		}
	}
	if left > 0 {
		c.Differs = append(c.Differs, fmt.Sprintf("%s of %s not drawn: the page shows only curves that every device has, and at most %d.", dsp.Plural(left, "curve"), names[0], mostCurves))
	}
}

// spans is a sentence with the range of each device's curve.
func (c *Comparison) spans(k ComparedCurve) string {
	var parts []string
	for i, t := range k.Tables {
		least, most := t.Rows[0][1], t.Rows[0][1]
		for _, row := range t.Rows {
			least, most = min(least, row[1]), max(most, row[1])
		}
		parts = append(parts, fmt.Sprintf("%s from %.2f to %.2f %s", c.Devices[i], least, most, k.YUnit))
	}
	return upper(k.Y) + ": " + strings.Join(parts, ", ") + "."
}
