package expect

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/boothbench/boothbench/measure"
)

// A history has one line a run, with value, limit and verdict of each reading; what comes
// out of a chain has a name of its own; of two limits of one reading the narrower bounds
// and the worse verdict stand.
func TestHistoryLine(t *testing.T) {
	results := someResults()[:3]
	behind := measure.Judge("ep1.wav", 48000, measure.Readings{{Name: "integrated_lufs", Reading: measure.Reading{Value: -16, Unit: "LUFS"}}}, measure.AtMost("integrated_lufs", -10))
	twice := measure.Judge("ep1.wav", 48000, measure.Readings{{Name: "integrated_lufs", Reading: measure.Reading{Value: -20.04, Unit: "LUFS"}}}, measure.AtMost("integrated_lufs", -20.2))
	run := Run{
		Checked: []Checked{{Subject: "ep1.wav", Judgements: append(slices.Clone(results), behind, twice), by: []int{0, 0, 0, 1, 0}}, {Subject: "ep2.wav", Err: errNoSound}},
		Groups:  []GroupRun{{Name: "l.toml:2"}, {Name: "l.toml:9", Through: "/elsewhere/voice.toml"}},
	}
	first, err := HistoryLine(run, "c0ffee", fixedTime)
	if err != nil {
		t.Fatal(err)
	}
	second, _ := HistoryLine(Run{Checked: []Checked{{Subject: "ep1.wav", Judgements: results[:1]}}}, "", fixedTime.Add(-time.Hour))
	if strings.Count(string(first), "\n") != 1 || !strings.HasSuffix(string(first), "\n") {
		t.Errorf("%q is not one line", first)
	}
	old := `{"schema_version":1,"time":"2020-01-01T00:00:00Z","passed":true,"limits":1,"not_met":0,"readings":{"ep1.wav":{"x_db":-3,"y_db":null}}}`
	runs, err := ReadHistory("runs.jsonl", strings.NewReader(string(first)+"\n"+string(second)+old)) // out of order, an empty line, no end of line
	if err != nil || len(runs) != 3 || runs[0].Time != "2020-01-01T00:00:00Z" || runs[1].Label != "" || runs[2].Label != "c0ffee" {
		t.Fatalf("%+v %v", runs, err)
	}
	if r := runs[0].Readings["ep1.wav"]; *r["x_db"].Value != -3 || r["y_db"].Value != nil {
		t.Errorf("version 1: %+v", r)
	}
	last := runs[2]
	r := last.Readings["ep1.wav"]
	if last.Passed || last.Limits != 6 || last.NotMet != 4 || !runs[1].Passed || last.Errors["ep2.wav"] != errNoSound.Error() {
		t.Errorf("%+v", last)
	}
	if got := r["integrated_lufs"]; *got.Value != -20.04 || *got.Min != -20.5 || *got.Max != -20.2 || got.Verdict != "fail" || got.Unit != "LUFS" {
		t.Errorf("two limits: %+v", got)
	}
	if got := r["integrated_lufs through voice.toml"]; got.Value == nil || *got.Value != -16 || got.Verdict != "pass" {
		t.Errorf("through a chain: %+v", got)
	}
	if got := r["loudness_range_lu"]; got.Value != nil || got.Verdict != "undecided" || !strings.Contains(got.Reason, "too short") {
		t.Errorf("not measurable: %+v", got)
	}
	for text, says := range map[string]string{
		"":                         "runs.jsonl: found no run",
		"\n \n":                    "runs.jsonl: found no run",
		string(first) + `{"schem`:  "runs.jsonl:2: found no run of check --history",
		`{"schema_version":9}`:     "runs.jsonl:1: found schema_version 9, accepted: 1 to 2",
		`{"schema_version":2}`:     `runs.jsonl:1: time: found ""`,
		`[1]`:                      "runs.jsonl:1: found no run",
		"<<<<<<< ours\n" + old:     "runs.jsonl:1: found no run",
		old + "\n" + `{"readings"`: "runs.jsonl:2: found no run",
	} {
		if _, err := ReadHistory("runs.jsonl", strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%q: %v, want %s", text, err, says)
		}
	}
	for text, is := range map[string]bool{"": true, "\n": true, string(first): true, "RIFF\x24\x00": false, "schema = 1": false, `{"command":`: false} {
		if IsHistory([]byte(text)) != is {
			t.Errorf("%.20q: taken for a history is %t", text, !is)
		}
	}
}
