package report

import (
	"strings"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/picture"
)

// minus is text with the minus signs of a page.
func minus(s string) string { return picture.Minus(s) }

// readingsTable has all readings of several subjects, one row per reading.
func readingsTable(subjects []string, all ...measure.Readings) *Table {
	table := &Table{Head: append([]string{"reading"}, subjects...)}
	seen := map[string]bool{}
	for _, readings := range all {
		for _, r := range readings {
			if seen[r.Name] {
				continue
			}
			seen[r.Name] = true
			row := []Cell{text(r.Name)}
			for _, other := range all {
				if got, ok := other.Get(r.Name); ok {
					row = append(row, figure(got))
				} else {
					row = append(row, text(""))
				}
			}
			table.Rows = append(table.Rows, row)
		}
	}
	return table
}

// meanings explains the readings, in a collapsed table.
func meanings(all ...measure.Readings) Section {
	table := &Table{Head: []string{"reading", "meaning", "common mistake"}}
	seen := map[string]bool{}
	for _, readings := range all {
		for _, r := range readings {
			term, known := measure.Explain(r.Name)
			if !known || seen[term.Name] {
				continue
			}
			seen[term.Name] = true
			what := term.Meaning
			if term.Document != "" {
				what += " " + upper(term.Document) + "."
			}
			table.Rows = append(table.Rows, []Cell{text(r.Name), text(what), text(term.Trap)})
		}
	}
	return Section{Title: "What the readings mean", Table: table, Folded: true, ScreenOnly: true}
}

// withRepeat ends a page with the program, digests and commands to make it again.
func (p Page) withRepeat(steps []string, chainText []byte) Page {
	p.Sections = append(p.Sections, Section{Title: "How to repeat it", Listing: strings.Join(steps, "\n")})
	if chainText != nil {
		p.Sections = append(p.Sections, Section{Title: "The chain file", Listing: string(chainText), Folded: true})
	}
	return p
}
