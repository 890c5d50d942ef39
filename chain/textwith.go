package chain

import (
	"bytes"
	"slices"
	"strconv"

	"github.com/boothbench/boothbench/chain/tomlfile"
)

// TextWith is the text of the chain's file with other numbers for some keys of one stage,
// counted from 0. Everything else stays as it was written, comments included. A key that
// the file leaves out gets a line below the stage's kind. The result is nil if there is
// no such stage, or if it comes from no file.
func (c *Chain) TextWith(stage int, numbers map[string]float64) []byte {
	if stage < 0 || stage >= len(c.Stages) {
		return nil
	}
	s := c.Stages[stage]
	if c.Text == nil || s.Line == 0 {
		return nil
	}
	type edit struct {
		at   tomlfile.Span
		text string
	}
	var edits []edit
	kind := s.given["kind"]
	lineEnd := kind.From + kind.Length
	if n := bytes.IndexByte(c.Text[lineEnd:], '\n'); n >= 0 {
		lineEnd += n
	} else {
		lineEnd = len(c.Text)
	}
	for key, v := range numbers {
		text := strconv.FormatFloat(v, 'f', -1, 64)
		if at, given := s.given[key]; given {
			edits = append(edits, edit{at, text})
		} else {
			edits = append(edits, edit{tomlfile.Span{From: lineEnd}, "\n" + key + " = " + text})
		}
	}
	slices.SortFunc(edits, func(a, b edit) int { // from the end on, so that places stay
		if d := b.at.From - a.at.From; d != 0 {
			return d
		}
		return bytes.Compare([]byte(a.text), []byte(b.text))
	})
	text := slices.Clone(c.Text)
	for _, e := range edits {
		text = slices.Replace(text, e.at.From, e.at.From+e.at.Length, []byte(e.text)...)
	}
	return text
}
