package expect

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// summaryLines is how many lines a summary has at most.
const summaryLines = 10

// WriteSummary writes a run as Markdown of ten lines at most, for a change request:
// what came of it, then how sounds changed, then what failed, as far as there is room.
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

// HistoryLine is a run as one line of JSON, for a file to which each build adds its
// own: the readings by subject, and how many limits were not met.
func HistoryLine(r Run, at time.Time) ([]byte, error) {
	line := struct {
		SchemaVersion int                            `json:"schema_version"`
		Time          string                         `json:"time"`
		Passed        bool                           `json:"passed"`
		Limits        int                            `json:"limits"`
		NotMet        int                            `json:"not_met"`
		Readings      map[string]map[string]*float64 `json:"readings"` // null: not measurable
	}{SchemaVersion: 1, Time: at.UTC().Format(time.RFC3339), Passed: r.Passed(), Readings: map[string]map[string]*float64{}}
	for _, j := range r.Results() {
		line.Limits++
		if j.Verdict != measure.Pass {
			line.NotMet++
		}
		if j.Reading == measure.EveryReading {
			continue
		}
		if line.Readings[j.Subject] == nil {
			line.Readings[j.Subject] = map[string]*float64{}
		}
		var value *float64
		if j.Got.Measurable() {
			rounded := measure.JSONValue(j.Got.Value)
			value = &rounded
		}
		line.Readings[j.Subject][j.Reading] = value
	}
	text, err := json.Marshal(line)
	return append(text, '\n'), err
}
