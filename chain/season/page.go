package season

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/picture"
	"github.com/boothbench/boothbench/measure/report"
)

// mostListed is the largest number of takes that a page lists one by one; the CSV table has
// all.
const mostListed = 2000

// Page returns the page of a season. It answers whether all is done, which takes are outliers,
// and which folders are quieter.
func (p *Plan) Page(t *Table, version string) report.Page {
	page := report.Page{Title: "Season: " + filepath.Base(p.folder)}
	page.Verdict, page.Answer, page.Do = t.answer()
	page.About = p.about(t)
	if loudness, ok := t.loudnessPicture(); ok {
		page.Sections = append(page.Sections, report.Section{Title: "Loudness over the season", Pictures: []picture.Picture{loudness}})
	}
	if s, ok := t.groupsSection(); ok {
		page.Sections = append(page.Sections, s)
	}
	page.Sections = append(page.Sections, p.listSections(t)...)
	page.Sections = append(page.Sections, t.conversationSections()...)
	listing := []string{version, "chain " + filepath.Base(p.ChainPath) + "  sha256 " + digest([]byte(p.ChainText)),
		fmt.Sprintf("boothbench season run %s", filepath.Base(p.folder)), fmt.Sprintf("boothbench season gather %s --verify", filepath.Base(p.folder))}
	page.Sections = append(page.Sections,
		report.Section{Title: "To get the same again", Listing: strings.Join(listing, "\n")},
		report.Section{Title: "The chain file", Listing: p.ChainText, Folded: true})
	return page
}

// answer returns the verdict, the first sentence, and what to do.
func (t *Table) answer() (v measure.Verdict, answer string, do []string) {
	outliers := 0
	for _, r := range t.Rows {
		if r.OutlierLU != nil {
			outliers++
		}
	}
	all := t.Groups[len(t.Groups)-1]
	loudness := "no take is long enough to compare its loudness"
	if all.Takes > 0 {
		loudness = fmt.Sprintf("the median loudness is %.1f LUFS with a spread of %.2f LU, and there %s", all.MedianLUFS, all.SpreadLU, areOutliers(outliers))
	}
	if t.Programme != nil && t.Programme.Final {
		loudness += fmt.Sprintf("; as one programme it measures %.2f LUFS", *t.Programme.LoudnessLUFS)
	}
	missing := len(t.Rows) - t.Counts[Made]
	switch {
	case missing > 0:
		v, answer = measure.Fail, fmt.Sprintf("%d of %d takes are not done (%s); %s.", missing, len(t.Rows), t.counted(), loudness)
	case t.conversationsMissing() > 0:
		v, answer = measure.Fail, fmt.Sprintf("%s done, but %d of %s are not; %s.", allTakes(len(t.Rows)), t.conversationsMissing(), dsp.Plural(len(t.Conversations), "conversation"), loudness)
	case t.NotMet > 0:
		v, answer = measure.Fail, fmt.Sprintf("%s done, but %d of %s not met; %s.", allTakes(len(t.Rows)), t.NotMet, limitsAre(t.Limits), loudness)
	case !t.Complete():
		v, answer = measure.Undecided, fmt.Sprintf("%s rendered, but with a gain that is corrected now: run all shares again; %s.", allTakes(len(t.Rows)), loudness)
	case t.Limits > 0:
		v, answer = measure.Pass, fmt.Sprintf("%s done and %s; %s.", allTakes(len(t.Rows)), limitsMet(t.Limits), loudness)
	default:
		v, answer = measure.Undecided, fmt.Sprintf("%s done. No limits were given, so this page cannot say whether to deliver: %s.", allTakes(len(t.Rows)), loudness)
	}
	if t.Counts[Missing]+t.Counts[Stale] > 0 {
		do = append(do, "Missing and stale takes: season run makes them.")
	}
	if t.Counts[Failed] > 0 {
		do = append(do, "Failed takes: the reason is below; season run --again tries them once more.")
	}
	if t.Counts[Corrupt] > 0 {
		do = append(do, "Corrupt outputs: remove them and run the season again.")
	}
	if t.Programme != nil {
		for _, m := range t.Programme.Missed {
			do = append(do, "As one programme: "+m+".")
		}
	}
	for _, c := range t.Conversations {
		do = append(do, c.advice()...)
	}
	if outliers > 0 {
		do = append(do, fmt.Sprintf("Listen to the %s: louder or quieter than the other takes of the folder.", dsp.Plural(outliers, "outlier")))
	}
	return v, answer, do
}

// allTakes returns the beginning of a sentence about all takes.
func allTakes(n int) string {
	if n == 1 {
		return "The one take is"
	}
	return fmt.Sprintf("All %d takes are", n)
}

func limitsMet(n int) string {
	if n == 1 {
		return "the one limit is met"
	}
	return fmt.Sprintf("all %d limits are met", n)
}

func limitsAre(n int) string {
	if n == 1 {
		return "1 limit is"
	}
	return fmt.Sprintf("%d limits are", n)
}

func takesWere(n int) string {
	if n == 1 {
		return "1 take was"
	}
	return fmt.Sprintf("%d takes were", n)
}

func areOutliers(n int) string {
	switch n {
	case 0:
		return "are no outliers"
	case 1:
		return "is 1 outlier"
	}
	return fmt.Sprintf("are %d outliers", n)
}

// counted states the number of takes in each state other than done.
func (t *Table) counted() string {
	var parts []string
	for _, s := range []State{Failed, Missing, Analysed, Stale, Corrupt} {
		if n := t.Counts[s]; n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, s))
		}
	}
	return strings.Join(parts, ", ")
}

func (p *Plan) about(t *Table) string {
	seconds := 0.0
	for _, r := range t.Rows {
		if d := r.Readings["duration_s"]; d != nil {
			seconds += *d
		}
	}
	how := "processed through " + filepath.Base(p.ChainPath)
	switch {
	case p.AsOneProgramme:
		how += fmt.Sprintf(", delivered as one programme to %g LUFS", p.Target.LoudnessLUFS)
	case p.Target != nil:
		how += fmt.Sprintf(", each delivered to %g LUFS", p.Target.LoudnessLUFS)
		if slices.ContainsFunc(p.Conversations, func(c Conversation) bool { return c.Linked }) {
			how += ", linked ones together"
		}
	}
	return fmt.Sprintf("%s, %s of sound; %s.", dsp.Plural(len(t.Rows), "take"), measure.TimeCode(int64(seconds*1000), 1000), how)
}

// loudnessPicture shows the loudness and the true peak of each take, in the plan's order.
func (t *Table) loudnessPicture() (picture.Picture, bool) {
	usual := picture.Series{Name: "usual", Kind: picture.Dots}
	outliers := picture.Series{Name: "outlier", Kind: picture.Dots, Role: picture.Second}
	short := picture.Series{Name: "too short to judge", Kind: picture.Dots, Role: picture.Third}
	peaks := picture.Series{Name: "true peak", Kind: picture.Dots, Role: picture.Fourth}
	var marks []picture.Mark
	group := ""
	for i, r := range t.Rows {
		x := float64(i + 1)
		if g := r.group(); i == 0 || g != group {
			group = g
			if i > 0 {
				marks = append(marks, picture.Mark{At: x - 0.5, Vertical: true})
			}
		}
		if v := r.Readings["true_peak_fine_dbtp"]; v != nil {
			peaks.Points = append(peaks.Points, picture.Point{X: x, Y: *v})
		}
		v := r.Readings["integrated_lufs"]
		if v == nil {
			continue
		}
		at := picture.Point{X: x, Y: *v}
		switch {
		case r.TooShort:
			short.Points = append(short.Points, at)
		case r.OutlierLU != nil:
			outliers.Points = append(outliers.Points, at)
		default:
			usual.Points = append(usual.Points, at)
		}
	}
	if len(usual.Points)+len(outliers.Points)+len(short.Points) == 0 {
		return picture.Picture{}, false
	}
	if len(marks) > 40 { // too many lines to be useful
		marks = nil
	}
	x := picture.Axis{Name: "take, in the order of the plan", Min: 0.5, Max: float64(len(t.Rows)) + 0.5, Whole: true}
	loudness := picture.Panel{X: x, Height: 210, Marks: marks}
	says := "No take is long enough to be compared."
	var room picture.Band
	if all := t.Groups[len(t.Groups)-1]; all.Takes > 0 {
		room = t.roomBand()
		loudness.Bands = []picture.Band{room}
		says = fmt.Sprintf("%s compared with their folder; there %s, off its median by more than %g LU and %d spreads.", takesWere(all.Takes), areOutliers(all.Outliers), outlierLU, outlierSpreads)
	}
	// The usual range lies within the axis: takes that are equally loud are no line at its edge.
	loudness.Y = picture.Around("integrated loudness", "LUFS", nil, usual.Points, outliers.Points, short.Points, room.Upper, room.Lower)
	for _, s := range []picture.Series{usual, outliers, short} {
		if s.Points != nil {
			loudness.Series = append(loudness.Series, s)
		}
	}
	if len(marks) > 0 {
		says += " A line begins each folder."
	}
	panels := []picture.Panel{loudness}
	if peaks.Points != nil {
		peakAxis := picture.Around("true peak, fine", "dBTP", nil, peaks.Points)
		peakAxis.Max += 0.25 // keeps dots off the frame
		panels = append(panels, picture.Panel{X: x, Height: 110, Y: peakAxis, Series: []picture.Series{peaks}, Marks: marks})
	}
	return picture.Picture{Name: "season-loudness", Title: "Every take", Caption: says, Panels: panels}, true
}

// roomBand returns the usual range of each take's loudness: around the median of its folder, or
// of all takes where its folder has few.
func (t *Table) roomBand() picture.Band {
	b := picture.Band{Name: "usual range of the folder"}
	groups := map[string]Group{}
	for _, g := range t.Groups[:len(t.Groups)-1] {
		groups[g.Name] = g
	}
	for i, r := range t.Rows {
		g := groups[r.group()]
		if g.Takes < leastGroup {
			g = t.Groups[len(t.Groups)-1]
		}
		room := max(outlierLU, outlierSpreads*g.SpreadLU)
		if i > 0 && t.Rows[i-1].group() == r.group() && i < len(t.Rows)-1 && t.Rows[i+1].group() == r.group() {
			continue // only the first and the last take of a folder are needed
		}
		for _, x := range []float64{float64(i) + 0.5, float64(i) + 1.5} {
			b.Upper = append(b.Upper, picture.Point{X: x, Y: g.MedianLUFS + room})
			b.Lower = append(b.Lower, picture.Point{X: x, Y: g.MedianLUFS - room})
		}
	}
	return b
}

// fewFolders is the largest number of folders for which a table is enough.
const fewFolders = 4

// groupsSection compares the loudness of the folders.
func (t *Table) groupsSection() (report.Section, bool) {
	groups := t.Groups[:len(t.Groups)-1]
	whole := t.Groups[len(t.Groups)-1]
	if len(groups) == 0 {
		return report.Section{}, false
	}
	s := report.Section{Title: "Who is quieter", Table: &report.Table{Head: []string{"folder", "number", "takes compared", "median", "against all", "spread", "outliers"}}}
	bars := picture.Series{Kind: picture.Bars}
	quietest := 0
	for i, g := range groups {
		against := g.MedianLUFS - whole.MedianLUFS
		bars.Points = append(bars.Points, picture.Point{X: float64(i + 1), Y: against})
		if g.MedianLUFS < groups[quietest].MedianLUFS {
			quietest = i
		}
		name := g.Name
		if name == "." {
			name = "(no folder)"
		}
		s.Table.Rows = append(s.Table.Rows, []report.Cell{{Text: name}, count(i + 1), count(g.Takes),
			figure(g.MedianLUFS, "LUFS"), difference(against, "LU"), figure(g.SpreadLU, "LU"), count(g.Outliers)})
	}
	if len(groups) > fewFolders {
		q := groups[quietest]
		says := fmt.Sprintf("%s is the quietest: its median is %.1f LU under the median of all takes.", q.Name, whole.MedianLUFS-q.MedianLUFS)
		if !(whole.MedianLUFS-q.MedianLUFS >= 0.1) {
			says = "No folder's median is 0.1 LU or more under the median of all takes."
		}
		s.Pictures = []picture.Picture{{Name: "season-folders", Title: "Each folder against all takes", Caption: picture.Minus(says), Panels: []picture.Panel{{
			X: picture.Axis{Name: "folder, by its number in the table", Max: float64(len(groups)) + 1, Whole: true}, Height: 140,
			Y: picture.Around("median less that of all", "LU", []float64{-1, 0, 1}, bars.Points), Series: []picture.Series{bars},
		}}}}
	}
	return s, true
}

// listSections lists the takes that need attention, and then all takes.
func (p *Plan) listSections(t *Table) (all []report.Section) {
	undone := &report.Table{Head: []string{"take", "state", "why"}}
	limits := &report.Table{Head: []string{"take", "limit that is not met"}}
	outliers := &report.Table{Head: []string{"take", "loudness", "from the median"}}
	short := &report.Table{Head: []string{"take", "loudness", "counted", "length"}}
	silent := &report.Table{Head: []string{"take", "length"}}
	warnings := &report.Table{Head: []string{"take", "warning"}}
	every := &report.Table{Head: []string{"take", "state", "loudness", "range", "true peak, fine", "gain", "length"}}
	get := func(r Row, name, unit string) report.Cell {
		if v := r.Readings[name]; v != nil {
			return figure(*v, unit)
		}
		return report.Cell{}
	}
	for i, r := range t.Rows {
		name := report.Cell{Text: r.Output}
		if r.State != Made {
			undone.Rows = append(undone.Rows, []report.Cell{name, {Text: string(r.State)}, {Text: strings.ReplaceAll(r.Note, r.Path, filepath.Base(r.Path))}})
		}
		for _, l := range r.NotMet {
			limits.Rows = append(limits.Rows, []report.Cell{name, {Text: picture.Minus(strings.ReplaceAll(l, p.output(r.Take), r.Output))}})
		}
		if r.OutlierLU != nil {
			outliers.Rows = append(outliers.Rows, []report.Cell{name, get(r, "integrated_lufs", "LUFS"), difference(*r.OutlierLU, "LU")})
		}
		if r.TooShort {
			short.Rows = append(short.Rows, []report.Cell{name, get(r, "integrated_lufs", "LUFS"), get(r, countedSeconds, "s"), get(r, "duration_s", "s")})
		}
		if r.Silent {
			silent.Rows = append(silent.Rows, []report.Cell{name, get(r, "duration_s", "s")})
		}
		for _, text := range r.Warnings {
			warnings.Rows = append(warnings.Rows, []report.Cell{name, {Text: strings.ReplaceAll(text, r.Path, filepath.Base(r.Path))}})
		}
		if i < mostListed {
			every.Rows = append(every.Rows, []report.Cell{name, {Text: string(r.State)}, get(r, "integrated_lufs", "LUFS"), get(r, "loudness_range_lu", "LU"),
				get(r, "true_peak_fine_dbtp", "dBTP"), get(r, "gain_db", "dB"), get(r, "duration_s", "s")})
		}
	}
	add := func(title, text string, table *report.Table, folded bool) {
		if table.Rows != nil {
			all = append(all, report.Section{Title: title, Text: text, Table: table, Folded: folded})
		}
	}
	add("Not done", "", undone, false)
	add("Warnings", "These takes were made in spite of a fault in their file.", warnings, false)
	add("Limits not met", "", limits, false)
	add("Outliers", fmt.Sprintf("Their loudness is more than %g LU and more than %d spreads from the median of their folder, or of all takes where the folder has fewer than %d. The spread is 1.4826 times the median distance from the median: the standard deviation, where nothing is unusual.", outlierLU, outlierSpreads, leastGroup), outliers, false)
	add("Too short to judge", fmt.Sprintf("The loudness gate passes less than %d s of them: such a figure depends more on the words than on the level that was set.", leastComparedSeconds), short, true)
	add("Without loudness", "No sound in them is above the gate of −70 LUFS.", silent, true)
	text := ""
	if len(t.Rows) > mostListed {
		text = fmt.Sprintf("The first %d of %d; the table in CSV has all.", mostListed, len(t.Rows))
	}
	add("All takes", text, every, true)
	return all
}

func figure(v float64, unit string) report.Cell {
	digits := 1
	if unit == "LU" || unit == "dB" {
		digits = 2
	}
	return report.Cell{Text: picture.Minus(fmt.Sprintf("%.*f %s", digits, v, unit)), Figure: true}
}

// difference is a cell with a signed figure.
func difference(v float64, unit string) report.Cell {
	if v = math.Round(v*100) / 100; v == 0 {
		return report.Cell{Text: "0.00 " + unit, Figure: true}
	}
	return report.Cell{Text: picture.Minus(fmt.Sprintf("%+.2f %s", v, unit)), Figure: true}
}

func count(n int) report.Cell { return report.Cell{Text: fmt.Sprint(n), Figure: true} }
