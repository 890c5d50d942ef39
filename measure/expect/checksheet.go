package expect

import (
	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/bench"
)

var sheetKeys = []string{"sheet", "path", "test"}

// sheetGroup is an [[expect]] of a device's sheet.
func (d *decoder) sheetGroup(t *tomlfile.Value) Group {
	g := Group{Line: d.LineOf(t.At.From)}
	for _, e := range t.Entries {
		switch {
		case e.Key == "sheet":
			g.Sheet = d.path(e)
		case e.Key == "path":
			g.SheetPath = d.String(e)
		case e.Key == "test":
			g.SheetTest = d.String(e)
		case !bench.IsReading(e.Key):
			d.Unknown(e, append(bench.Readings(), sheetKeys...), "sheet, path, test and readings of a sheet (boothbench explain --readings lists them)")
		default:
			b, ok := d.Bounds(e, "why")
			l := measure.Limit{Reading: e.Key, Min: b.Min, Max: b.Max}
			if why := e.Value.Entry("why"); ok && why != nil {
				l.Source = d.String(*why)
			}
			g.Limits = append(g.Limits, l)
		}
	}
	if len(g.Limits) == 0 {
		d.Report(t.At, tomlfile.Problem{Key: "[[expect]]", Found: "no limit", Accepted: "a reading of the sheet with its limit, such as dynamic_range_a_db = { min = 110 }"})
	}
	return g
}

// ofSheet reports whether a subject is a sheet that a group is about.
func (l *Limits) ofSheet(subject string) bool {
	for _, g := range l.Groups {
		if g.Sheet != "" && placeOf(g.Sheet) == placeOf(subject) {
			return true
		}
	}
	return false
}

// CheckSheet judges a device's sheet by the limits of all groups about it: every row that has
// the reading, of the group's path and test where it names them.
func (l *Limits) CheckSheet(path string) Checked {
	checked := begin(path, nil)
	sheet, err := bench.LoadSheet(path)
	if err != nil {
		checked.Err = err
		return checked
	}
	place := placeOf(path)
	for k, g := range l.Groups {
		if g.Sheet == "" || placeOf(g.Sheet) != place {
			continue
		}
		checked.groups = append(checked.groups, k)
		for _, limit := range g.Limits {
			for _, j := range sheet.Judge(path, g.SheetPath, g.SheetTest, limit) {
				checked.judged(k, j)
			}
		}
	}
	return checked
}
