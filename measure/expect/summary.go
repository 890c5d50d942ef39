package expect

import (
	"fmt"
	"io"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// summaryLines is how many lines a summary has at most.
const summaryLines = 10

// WriteSummary writes a run as Markdown of at most ten lines, for a change request: the
// result, then how sounds changed, then the failures, as far as there is room.
func WriteSummary(w io.Writer, r Run) error {
	results := r.Results()
	failed := 0
	var lines []string
	for _, c := range r.Checked {
		for _, change := range c.Changes {
			if !c.Passed() {
				lines = append(lines, change)
			}
		}
	}
	for _, j := range results {
		if j.Verdict != measure.Pass {
			failed++
			lines = append(lines, j.Sentence())
		}
	}
	verdict := "All limits are met"
	if failed > 0 || !r.Passed() {
		verdict = "Limits are not met"
	}
	text := fmt.Sprintf("**%s**: %s, %d of %s not met\n", verdict, dsp.Plural(len(r.Checked), "subject"), failed, dsp.Plural(len(results), "limit"))
	if len(lines) > 0 {
		text += "\n"
	}
	room := summaryLines - 2
	for i, line := range lines {
		if i == room-1 && len(lines) > room {
			text += fmt.Sprintf("- and %d more\n", len(lines)-i)
			break
		}
		text += "- " + strings.NewReplacer("\n", " ", "|", "\\|", "<", "&lt;", "*", "\\*", "_", "\\_").Replace(line) + "\n"
	}
	_, err := io.WriteString(w, text)
	return err
}
