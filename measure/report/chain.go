package report

import (
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/proof"
)

// Chain is the page of a proof: does the chain meet its claims? The claims that did not
// pass come first, then each stage with its curves. Reasons are numbered, since many claims
// share one.
func Chain(sheet *proof.Sheet, chainText []byte, version string) Page {
	name := filepath.Base(sheet.Subject)
	p := Page{Title: "Proof: " + name, About: fmt.Sprintf("Measured at %d Hz: each stage alone, then the whole chain.", sheet.RateHz)}
	p.Verdict, p.Answer = claimsAnswer(name, sheet)
	reasons := &reasonList{}
	drawn := make([]bool, len(sheet.Curves)) // a stage's curves are shown at its first claim
	var wrong []proof.Line
	for _, l := range sheet.Lines {
		if l.Verdict != measure.Pass {
			wrong = append(wrong, l)
		}
	}
	if wrong != nil {
		table := &Table{Head: []string{"stage", "reading", "measured", "claimed", "verdict", "reason", "condition"}}
		for _, l := range wrong {
			table.Rows = append(table.Rows, []Cell{text(l.Stage), text(l.Reading), figure(l.Got), bounds(l.Limit, l.Got.Unit), whole(sign(l.Verdict)), text(reasons.number(l.Why)), text(describedInWords(l.Condition))})
		}
		p.Sections = append(p.Sections, Section{Title: "What did not pass", Table: table})
	}
	for from := 0; from < len(sheet.Lines); {
		to := from
		for to < len(sheet.Lines) && sheet.Lines[to].Stage == sheet.Lines[from].Stage {
			to++
		}
		stage := sheet.Lines[from].Stage
		s := Section{Title: upper(stage), Table: claimsTable(sheet.Lines[from:to], reasons)}
		for i, c := range sheet.Curves {
			if c.Stage == stage && !drawn[i] {
				drawn[i] = true
				s.Pictures = append(s.Pictures, Declared(fmt.Sprintf("curve-%d", i+1), c))
			}
		}
		p.Sections = append(p.Sections, s)
		from = to
	}
	if len(sheet.Unclaimed) > 0 {
		p.Sections = append(p.Sections, unclaimedSection(sheet.Unclaimed))
	}
	p.Sections = append(p.Sections, reasons.section("Reasons", "reason of the tolerance"))
	var named measure.Readings
	for _, l := range sheet.Lines {
		named = append(named, measure.Named{Name: l.Reading, Reading: l.Got})
	}
	p.Sections = append(p.Sections, meanings(named))
	return p.withRepeat([]string{version, fmt.Sprintf("boothbench prove %s --rate %d", name, sheet.RateHz)}, chainText)
}

// claimsAnswer is the verdict and the sentence on whether a chain or device meets its
// claims.
func claimsAnswer(name string, sheet *proof.Sheet) (measure.Verdict, string) {
	passed, failed, open := sheet.Count(measure.Pass), sheet.Count(measure.Fail), sheet.Count(measure.Undecided)
	switch {
	case failed > 0:
		return measure.Fail, fmt.Sprintf("%s does not meet its claims: %d of %d %s.", name, failed, len(sheet.Lines), verb(failed, "fails", "fail"))
	case open > 0 || len(sheet.Lines) == 0:
		return measure.Undecided, fmt.Sprintf("%d of %d claims %s; %d could not be measured.", passed, len(sheet.Lines), verb(passed, "holds", "hold"), open)
	}
	return measure.Pass, fmt.Sprintf("%d of %d claims %s: %s meets its claims.", passed, len(sheet.Lines), verb(passed, "holds", "hold"), name)
}

// unclaimedSection lists the readings without a claim.
func unclaimedSection(all []proof.Unclaimed) Section {
	t := &Table{Head: []string{"stage", "readings", "condition", "why"}}
	for i, u := range all {
		if i > 0 && u.Stage == all[i-1].Stage && u.Condition == all[i-1].Condition && u.Reason == all[i-1].Reason {
			t.Rows[len(t.Rows)-1][1].Text += ", " + u.Reading
			continue
		}
		t.Rows = append(t.Rows, []Cell{text(u.Stage), text(u.Reading), text(describedInWords(u.Condition)), text(minus(u.Reason))})
	}
	return Section{Title: "Readings without a claim", Table: t}
}

// bounds is a limit with its unit.
func bounds(l measure.Limit, unit string) Cell {
	return whole(minus(strings.TrimSpace(l.String() + " " + unit)))
}

// verb is the form of a verb for a number of subjects.
func verb(n int, one, several string) string {
	if n == 1 {
		return one
	}
	return several
}

// reasonList numbers reasons in their order of appearance.
type reasonList struct{ all []string }

func (r *reasonList) number(why string) string {
	if why == "" {
		return ""
	}
	i := slices.Index(r.all, why)
	if i < 0 {
		i, r.all = len(r.all), append(r.all, why)
	}
	return strconv.Itoa(i + 1)
}

// section lists the reasons.
func (r *reasonList) section(title, head string) Section {
	list := &Table{Head: []string{"number", head}}
	for i, why := range r.all {
		list.Rows = append(list.Rows, []Cell{text(strconv.Itoa(i + 1)), text(minus(why))})
	}
	return Section{Title: title, Table: list}
}

// claimsTable has one row per claim, under a row with the test signal and settings.
func claimsTable(lines []proof.Line, reasons *reasonList) *Table {
	t := &Table{Head: []string{"reading", "measured", "claimed", "verdict", "reason"}}
	condition := ""
	for _, l := range lines {
		if l.Condition != condition {
			condition = l.Condition
			t.Rows = append(t.Rows, []Cell{text(describedInWords(condition) + ":")})
		}
		t.Rows = append(t.Rows, []Cell{text(l.Reading), figure(l.Got), bounds(l.Limit, l.Got.Unit), whole(sign(l.Verdict)), text(reasons.number(l.Why))})
	}
	return t
}
