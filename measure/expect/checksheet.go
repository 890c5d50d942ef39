package expect

import (
	"slices"
	"strings"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/bench"
)

var sheetKeys = []string{"sheet", "path", "test", "accept"}

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
		case e.Key == "accept":
			g.Accept = d.phrases(e)
		case !bench.IsReading(e.Key):
			d.Unknown(e, append(bench.Readings(), sheetKeys...), "sheet, path, test, accept and readings of a sheet (boothbench explain --readings lists them)")
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

// phrases is a list of texts that are not empty: an empty one would accept every finding.
func (d *decoder) phrases(e tomlfile.Entry) (all []string) {
	const accepted = `a list of phrases of findings, such as ["polarity inverted"]`
	if e.Value.Kind != tomlfile.Array {
		d.WrongType(e.Key, e.Value, accepted, "")
		return nil
	}
	for _, item := range e.Value.Items {
		switch {
		case item.Kind != tomlfile.String:
			d.WrongType(e.Key, item, accepted, "")
		case strings.TrimSpace(item.Text) == "":
			d.Report(item.At, tomlfile.Problem{Key: e.Key, Found: "an empty phrase", Accepted: accepted})
		default:
			all = append(all, item.Text)
		}
	}
	return all
}

// CheckSheet judges a device's sheet by the limits of all groups about it: every row that has
// the reading, of the group's path and test where it names them. Without a limit of its own, the
// number of findings that no group accepts is at most 0, once for each path.
func (l *Limits) CheckSheet(path string) Checked {
	checked := begin(path, nil)
	sheet, err := bench.LoadSheet(path)
	if err != nil {
		checked.Err = err
		return checked
	}
	place := placeOf(path)
	var accepted []string
	limited := map[string]bool{} // paths whose findings have a limit; "": of the whole sheet
	for k, g := range l.Groups {
		if g.Sheet == "" || placeOf(g.Sheet) != place {
			continue
		}
		checked.groups = append(checked.groups, k)
		accepted = append(accepted, g.Accept...)
		limited[g.SheetPath] = limited[g.SheetPath] || slices.ContainsFunc(g.Limits, func(m measure.Limit) bool { return m.Reading == bench.FindingsReading })
	}
	for _, k := range checked.groups {
		g := l.Groups[k]
		limits := g.Limits
		// An [[expect]] of the whole sheet counts the findings of every path.
		if _, whole := limited[""]; !limited[g.SheetPath] && (g.SheetPath == "" || !whole) {
			limited[g.SheetPath] = true
			usual := measure.AtMost(bench.FindingsReading, 0)
			usual.Source = "usual of a sheet; accept = [\"part of its sentence\"] accepts a finding"
			limits = append(slices.Clone(limits), usual)
		}
		for _, limit := range limits {
			for _, j := range sheet.Judge(path, g.SheetPath, g.SheetTest, accepted, limit) {
				checked.judged(k, j)
			}
		}
	}
	return checked
}
