package report

import (
	"fmt"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/bench"
	"github.com/boothbench/boothbench/measure/picture"
)

// Comparison is the readings of several devices, measured by one plan.
type Comparison struct {
	Devices []string
	Verdict measure.Verdict
	// Unjudged: the page shows no verdict.
	Unjudged bool
	Answer   string // the first sentence
	// Differs lists the conditions that were not the same for all devices. They are shown above
	// all figures.
	Differs []string
	// Rubric explains the grades, one reading per line; nil: there are no grades.
	Rubric []string
	Rows   []ComparedReading
	Curves []ComparedCurve
	Repeat []string
}

// ComparedReading is one reading of all devices.
type ComparedReading struct {
	Group string // test, path and condition
	Name  string
	Got   []measure.Reading // one per device
	// AtMost marks upper bounds: values that are no larger than the noise. nil: there are none.
	AtMost []bool
	Grades []string // one per device, by the user's rubric, "" for none
	Best   []bool   // one per device; several are best where they are equal
	Equal  bool     // the differences are within the uncertainties
	Bounds bool     // all are upper bounds: which is less is not known
	// Why is the reason why the devices cannot be compared, "" where they can.
	Why string
}

// ComparedCurve is one curve of all devices, with one table per device. The first two columns
// of each are drawn.
type ComparedCurve struct {
	Name, Title, Caption string
	X, Y                 string // names of the axes
	XUnit, YUnit         string
	LogX                 bool
	Tables               []measure.Table
}

// fewInOne is how many curves one pair of axes can hold; more get axes of their own.
const fewInOne = 4

// Devices is the page of several devices, with one column per device. A device whose reading
// could not be measured is neither best nor worst in that row.
func Devices(c Comparison, version string) Page {
	p := Page{Title: "Devices side by side", Verdict: c.Verdict, Unjudged: c.Unjudged, Answer: c.Answer, Do: c.Differs}
	p.About = fmt.Sprintf("Devices: %s. ▲ marks the best of a row. In a row marked “equal” the differences are within the uncertainties. In a row of “upper bounds” it is not known which device has less.", strings.Join(c.Devices, ", "))
	table, open := c.tables()
	p.Sections = append(p.Sections, Section{Title: "Readings", Table: table})
	if c.Rubric != nil {
		rubric := &Table{Head: []string{"grades in brackets: reading, steps from the best, why"}}
		for _, line := range c.Rubric {
			rubric.Rows = append(rubric.Rows, []Cell{text(minus(line))})
		}
		p.Sections = append(p.Sections, Section{Title: "Rubric", Table: rubric})
	}
	curves := Section{Title: "Curves"}
	for _, k := range c.Curves {
		curves.Pictures = append(curves.Pictures, compared(c.Devices, k))
	}
	if curves.Pictures != nil {
		p.Sections = append(p.Sections, curves)
	}
	if len(open.Rows) > 0 {
		p.Sections = append(p.Sections, Section{Title: "Not measurable in any device", Table: open, Folded: true})
	}
	return p.withRepeat(append([]string{version}, c.Repeat...), nil)
}

// tables are the readings that at least one device has, and those that none has with the
// reasons. Rows of one test come under its name.
func (c Comparison) tables() (table, open *Table) {
	table = &Table{Head: append(append([]string{"reading"}, c.Devices...), "comparison")}
	open = &Table{Head: []string{"reading", "why"}}
	groups := map[*Table]string{}
	add := func(t *Table, group string, row []Cell) {
		if group != groups[t] {
			groups[t] = group
			t.Rows = append(t.Rows, []Cell{text(minus(group) + ":")})
		}
		t.Rows = append(t.Rows, row)
	}
	for _, r := range c.Rows {
		var reasons []string
		row, measured := []Cell{text(r.Name)}, false
		for i, got := range r.Got {
			cell := figure(got)
			if i < len(r.AtMost) && r.AtMost[i] && got.Measurable() && got.Uncertainty() != atMost {
				cell.Text = atMost + " " + cell.Text
			}
			if i < len(r.Grades) && r.Grades[i] != "" {
				cell.Text += " [" + r.Grades[i] + "]"
			}
			cell.Best = r.Why == "" && !r.Equal && got.Measurable() && i < len(r.Best) && r.Best[i]
			row, measured = append(row, cell), measured || got.Measurable()
			if !slices.Contains(reasons, got.Reason) {
				reasons = append(reasons, got.Reason)
			}
		}
		if !measured {
			add(open, r.Group, []Cell{text(r.Name), text(minus(strings.Join(reasons, "; ")))})
			continue
		}
		note := ""
		switch {
		case r.Why != "":
			note = "cannot be compared: " + r.Why
		case r.Bounds:
			note = bench.OnlyBounds
		case r.Equal:
			note = "equal"
		}
		add(table, r.Group, append(row, text(minus(note))))
	}
	return table, open
}

// compared is a curve of all devices, on the same axes.
func compared(devices []string, k ComparedCurve) picture.Picture {
	p := picture.Picture{Name: k.Name, Title: k.Title, Caption: minus(k.Caption)}
	x := picture.Axis{Name: k.X, Unit: k.XUnit}
	if k.LogX {
		x = picture.Axis{Name: k.X, Unit: k.XUnit, Scale: picture.Log, Min: audible.Min, Max: audible.Max}
	}
	var all [][]picture.Point
	for _, t := range k.Tables {
		var points []picture.Point
		for _, row := range t.Rows {
			if !k.LogX || row[0] >= x.Min && row[0] <= x.Max {
				points = append(points, picture.Point{X: row[0], Y: row[1]})
			}
		}
		all = append(all, points)
	}
	if !k.LogX {
		var swap [][]picture.Point
		for _, points := range all {
			swap = append(swap, swapped(points))
		}
		x = picture.Around(k.X, k.XUnit, nil, swap...)
	}
	y := picture.Around(k.Y, k.YUnit, nil, all...)
	panel := picture.Panel{X: x, Y: y}
	if !k.LogX && k.XUnit == k.YUnit { // a static curve: one dB has the same length on both axes
		x, y = equalAxes(slices.Concat(all...))
		panel = picture.Panel{X: x, Y: y, Equal: true, Height: 280, Series: []picture.Series{unchanged(x)}}
	}
	if len(all) <= fewInOne {
		for i, points := range all {
			panel.Series = append(panel.Series, picture.Series{Name: devices[i], Role: fourRoles[i], Points: points})
		}
		p.Panels = []picture.Panel{panel}
		return p
	}
	for i, points := range all { // small multiples
		own := y
		own.Name = devices[i] + ": " + y.Name
		p.Panels = append(p.Panels, picture.Panel{X: x, Y: own, Height: 90, Series: []picture.Series{{Points: points}}})
	}
	return p
}
