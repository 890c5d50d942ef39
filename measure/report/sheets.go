package report

import (
	"fmt"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/bench"
)

// OfSheets arranges the sheets of devices for their page. Names are those of the sheets'
// files, for how to repeat it. A rubric of the user grades the readings; nil: none.
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
	best, comparable, equal := make([]int, len(sheets)), 0, 0
	for _, row := range bench.Compare(sheets) {
		r := ComparedReading{Name: fmt.Sprintf("%s (%s, %s)", row.Reading, row.Test, row.Path+", "+row.Condition), Best: row.Best, Equal: row.Equal, Why: row.Why}
		for d, got := range row.Rows {
			one := measure.Reading{Reason: "not in its sheet", Frame: -1, Channel: -1}
			if got != nil {
				one = got.Measured()
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
			if row.Equal {
				equal++
			}
		}
		c.Rows = append(c.Rows, r)
	}
	var counts []string
	for d, n := range best {
		counts = append(counts, fmt.Sprintf("%s is best or level with the best in %d", c.Devices[d], n))
	}
	c.Answer = fmt.Sprintf("Of %s that can be compared, %d are equal within the uncertainties; of the rest, %s.", dsp.Plural(comparable, "reading"), equal, strings.Join(counts, ", "))
	return c
}
