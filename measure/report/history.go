package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/expect"
	"github.com/boothbench/boothbench/measure/picture"
)

// mostTrends is how many readings a history draws, and mostInTrend how many subjects in one
// picture. The table has all of them.
const (
	mostTrends  = 12
	mostInTrend = 6
	mostRuns    = 50 // in the table of runs
)

// trend is one reading of one subject over all runs.
type trend struct {
	subject, name string
	got           []*expect.HistoryReading // one per run; nil: it was not judged
}

// last is the reading in the last run, nil where it was not judged then.
func (t trend) last() *expect.HistoryReading { return t.got[len(t.got)-1] }

func failed(r *expect.HistoryReading) bool {
	return r != nil && r.Verdict != "" && r.Verdict != measure.Pass.String()
}

// values are those that could be measured, the oldest first.
func (t trend) values() (all []float64) {
	for _, r := range t.got {
		if r != nil && r.Value != nil {
			all = append(all, *r.Value)
		}
	}
	return all
}

// spread is the largest value minus the smallest.
func (t trend) spread() float64 {
	v := t.values()
	if len(v) == 0 {
		return 0
	}
	return slices.Max(v) - slices.Min(v)
}

// drawingOrder ranks trends for drawing, the highest first: those that fail now, those that failed once, then those
// that moved most against their distance from the limit.
func (t trend) drawingOrder() float64 {
	switch {
	case failed(t.last()):
		return 1e9
	case slices.ContainsFunc(t.got, failed):
		return 1e6
	case t.spread() == 0:
		return 0
	}
	room := math.Inf(1)
	for _, r := range t.got {
		if r == nil || r.Value == nil {
			continue
		}
		if r.Max != nil {
			room = min(room, math.Abs(*r.Max-*r.Value))
		}
		if r.Min != nil {
			room = min(room, math.Abs(*r.Value-*r.Min))
		}
	}
	return min(1e5, t.spread()/max(room, 1e-9))
}

// trendsOf are all readings of all runs, in alphabetical order of subjects and names.
func trendsOf(runs []expect.HistoryRun) (all []trend) {
	at := map[[2]string]int{}
	for i, run := range runs {
		for subject, readings := range run.Readings {
			for name, r := range readings {
				key := [2]string{subject, name}
				k, known := at[key]
				if !known {
					k = len(all)
					at[key] = k
					all = append(all, trend{subject, name, make([]*expect.HistoryReading, len(runs))})
				}
				all[k].got[i] = &r
			}
		}
	}
	slices.SortFunc(all, func(a, b trend) int {
		return strings.Compare(a.subject+"\x00"+a.name, b.subject+"\x00"+b.name)
	})
	return all
}

// History is the page of a history of checks: whether the last run meets its limits, since
// when a limit is not met, and what has moved. The oldest run is the first.
func History(title string, runs []expect.HistoryRun, repeat []string, version string) Page {
	p := Page{Title: title}
	if len(runs) == 0 {
		p.Verdict, p.Answer = measure.Undecided, "The history has no run."
		return p
	}
	trends := trendsOf(runs)
	last := runs[len(runs)-1]
	p.Verdict, p.Answer = measure.Pass, fmt.Sprintf("The last of %s (%s) met its %s.", dsp.Plural(len(runs), "run"), runName(last), dsp.Plural(last.Limits, "limit"))
	if !last.Passed {
		p.Verdict, p.Answer = measure.Fail, fmt.Sprintf("The last of %s (%s) did not meet %d of its %s.", dsp.Plural(len(runs), "run"), runName(last), last.NotMet, dsp.Plural(last.Limits, "limit"))
	}
	p.Do = historyNotes(runs, trends)
	p.About = fmt.Sprintf("The first run: %s; the last: %s.", plainTime(runs[0].Time), plainTime(last.Time))
	p.Sections = append(p.Sections, trendSection(runs, trends))
	p.Sections = append(p.Sections, Section{Title: "Readings of the last run", Table: lastTable(trends)})
	p.Sections = append(p.Sections, runsSection(runs))
	return p.withRepeat(append([]string{version}, repeat...), nil)
}

// runName is a run in a sentence.
func runName(r expect.HistoryRun) string {
	if r.Label != "" {
		return r.Label + ", " + plainTime(r.Time)
	}
	return plainTime(r.Time)
}

// plainTime is a time of RFC 3339 for a reader; other text stays.
func plainTime(s string) string {
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		return s
	}
	return t.UTC().Format("2006-01-02 15:04:05 UTC")
}

// historyNotes list since when each limit is not met, what could not be measured, and which
// limits are no longer checked.
func historyNotes(runs []expect.HistoryRun, trends []trend) (notes []string) {
	last := len(runs) - 1
	for _, subject := range sortedKeys(runs[last].Errors) {
		notes = append(notes, fmt.Sprintf("%s: could not be measured: %s.", subject, strings.TrimPrefix(runs[last].Errors[subject], subject+": ")))
	}
	for _, t := range trends {
		if !failed(t.last()) {
			continue
		}
		since := last
		for since > 0 && failed(t.got[since-1]) {
			since--
		}
		r := t.last()
		notes = append(notes, fmt.Sprintf("%s: %s is %s; the limit is %s, not met since run %d (%s).", t.subject, t.name, valueText(r), limitText(r), since+1, runName(runs[since])))
	}
	gone := map[string][]string{} // readings by subject
	for _, t := range trends {
		if t.last() == nil && len(runs) > 1 && t.got[last-1] != nil {
			gone[t.subject] = append(gone[t.subject], t.name)
		}
	}
	for _, subject := range sortedKeys(gone) {
		if _, measured := runs[last].Readings[subject]; !measured {
			notes = append(notes, fmt.Sprintf("%s is not judged in the last run, and was in the one before.", subject))
			continue
		}
		notes = append(notes, fmt.Sprintf("%s: no longer judged in the last run: %s.", subject, strings.Join(gone[subject], ", ")))
	}
	return notes
}

func sortedKeys[V any](m map[string]V) []string {
	var keys []string
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// valueText is a value as the command prints it.
func valueText(r *expect.HistoryReading) string {
	if r.Value == nil {
		if r.Reason != "" {
			return "not measurable (" + r.Reason + ")"
		}
		return "not measurable"
	}
	return measure.Reading{Value: *r.Value, Unit: r.Unit}.String()
}

func limitText(r *expect.HistoryReading) string {
	if r.Min == nil && r.Max == nil {
		return ""
	}
	return strings.TrimSpace(measure.Limit{Min: r.Min, Max: r.Max}.String() + " " + r.Unit)
}

// trendSection draws the readings that failed or moved, one picture per reading and one panel
// per subject.
func trendSection(runs []expect.HistoryRun, trends []trend) Section {
	section := Section{Title: "Trends"}
	if len(runs) < 2 {
		section.Text = "One run has no trend."
		return section
	}
	byName := map[string][]trend{}
	for _, t := range trends {
		if t.drawingOrder() > 0 && len(t.values()) > 0 {
			byName[t.name] = append(byName[t.name], t)
		}
	}
	names := sortedKeys(byName)
	most := func(name string) (worth float64) {
		for _, t := range byName[name] {
			worth = max(worth, t.drawingOrder())
		}
		return worth
	}
	slices.SortStableFunc(names, func(a, b string) int { return cmp.Compare(most(b), most(a)) })
	left := 0
	for i, name := range names {
		if i >= mostTrends {
			left += len(byName[name])
			continue
		}
		drawn := byName[name]
		slices.SortStableFunc(drawn, func(a, b trend) int { return cmp.Compare(b.drawingOrder(), a.drawingOrder()) })
		if len(drawn) > mostInTrend {
			left += len(drawn) - mostInTrend
			drawn = drawn[:mostInTrend]
		}
		section.Pictures = append(section.Pictures, trendPicture(fmt.Sprintf("trend-%d", i+1), runs, drawn))
	}
	switch {
	case len(names) == 0:
		section.Text = "No reading has moved, and every limit was met in every run."
	case left > 0:
		section.Text = fmt.Sprintf("The table below has %s, which %s not drawn.", dsp.Plural(left, "more reading"), verb(left, "is", "are"))
	}
	return section
}

// trendPicture is one reading of several subjects over the runs.
func trendPicture(id string, runs []expect.HistoryRun, trends []trend) picture.Picture {
	p := picture.Picture{Name: id, Title: trends[0].name}
	first := trends[0]
	v := first.values()
	p.Caption = fmt.Sprintf("%s: from %s in its first run to %s in its last, over %s.", first.subject, withUnit(v[0], first), withUnit(v[len(v)-1], first), dsp.Plural(len(v), "run"))
	for _, t := range trends {
		panel := picture.Panel{X: picture.Axis{Name: "run", Min: 1, Max: float64(len(runs)), Whole: true}, Height: 110}
		line := picture.Series{Role: picture.Measured}
		var include []float64
		unit := ""
		band := picture.Band{Name: "range of the limit"}
		for i, r := range t.got {
			at := picture.Point{X: float64(i + 1), Y: math.NaN()}
			if r != nil && r.Value != nil {
				at.Y, unit = *r.Value, r.Unit
			}
			line.Points = append(line.Points, at)
			if r != nil {
				for _, bound := range []*float64{r.Min, r.Max} {
					if bound != nil {
						include = append(include, *bound)
					}
				}
			}
		}
		panel.Y = picture.Around(t.subject, unit, include, line.Points)
		for i, r := range t.got { // the limit of each run
			low, high := panel.Y.Min, panel.Y.Max
			if r == nil || r.Min == nil && r.Max == nil {
				low, high = math.NaN(), math.NaN()
			} else {
				if r.Min != nil {
					low = *r.Min
				}
				if r.Max != nil {
					high = *r.Max
				}
			}
			band.Upper = append(band.Upper, picture.Point{X: float64(i + 1), Y: high})
			band.Lower = append(band.Lower, picture.Point{X: float64(i + 1), Y: low})
		}
		dots := line
		dots.Kind = picture.Dots
		panel.Bands, panel.Series = []picture.Band{band}, []picture.Series{line, dots}
		p.Panels = append(p.Panels, panel)
	}
	return p
}

// withUnit is a value of a trend with its unit.
func withUnit(v float64, t trend) string {
	unit := ""
	for _, r := range t.got {
		if r != nil && r.Unit != "" {
			unit = r.Unit
		}
	}
	return measure.Reading{Value: v, Unit: unit}.String()
}

// lastTable has each reading with its last value, the change since the run before, the
// smallest and the largest value of all runs, and its limit.
func lastTable(trends []trend) *Table {
	table := &Table{Head: []string{"reading", "last", "change since the run before", "smallest", "largest", "limit", "verdict"}}
	subject := ""
	for _, t := range trends {
		if t.subject != subject {
			subject = t.subject
			table.Rows = append(table.Rows, []Cell{text(subject)})
		}
		r := t.last()
		if r == nil {
			table.Rows = append(table.Rows, []Cell{text(t.name), text("not judged"), text(""), text(""), text(""), text(""), text("")})
			continue
		}
		row := []Cell{text(t.name), text(minus(valueText(r))), text(""), text(""), text(""), whole(minus(limitText(r))), text("")}
		if r.Value != nil {
			row[1].Figure = true
			if n := len(t.got); n > 1 && t.got[n-2] != nil && t.got[n-2].Value != nil {
				row[2] = Cell{Text: minus(fmt.Sprintf("%+.4g", measure.JSONValue(*r.Value-*t.got[n-2].Value))), Figure: true}
			}
		}
		if v := t.values(); len(v) > 0 {
			row[3] = Cell{Text: minus(withUnit(slices.Min(v), t)), Figure: true}
			row[4] = Cell{Text: minus(withUnit(slices.Max(v), t)), Figure: true}
		}
		for _, v := range []measure.Verdict{measure.Pass, measure.Fail, measure.Undecided} {
			if r.Verdict == v.String() {
				row[6] = whole(sign(v))
			}
		}
		table.Rows = append(table.Rows, row)
	}
	return table
}

// runsSection lists the runs, at most the last mostRuns.
func runsSection(runs []expect.HistoryRun) Section {
	s := Section{Title: "Runs", Table: &Table{Head: []string{"run", "time", "label", "limits", "not met", "verdict"}}}
	from := max(0, len(runs)-mostRuns)
	if from > 0 {
		s.Text = fmt.Sprintf("The last %d of %d.", mostRuns, len(runs))
	}
	for i := from; i < len(runs); i++ {
		r := runs[i]
		verdict := measure.Pass
		if !r.Passed {
			verdict = measure.Fail
		}
		s.Table.Rows = append(s.Table.Rows, []Cell{{Text: fmt.Sprint(i + 1), Figure: true}, whole(plainTime(r.Time)), text(r.Label), {Text: fmt.Sprint(r.Limits), Figure: true}, {Text: fmt.Sprint(r.NotMet), Figure: true}, whole(sign(verdict))})
	}
	return s
}
