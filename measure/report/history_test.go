package report

import (
	"fmt"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/measure/expect"
	"github.com/boothbench/boothbench/measure/picture"
)

func historyRun(n int, passed bool, readings map[string]map[string]float64) expect.HistoryRun {
	r := expect.HistoryRun{SchemaVersion: 2, Time: fmt.Sprintf("2026-11-%02dT12:00:00Z", n), Label: fmt.Sprint("commit-", n), Passed: passed, Readings: map[string]map[string]expect.HistoryReading{}}
	most := -1.0
	for subject, values := range readings {
		r.Readings[subject] = map[string]expect.HistoryReading{}
		for name, v := range values {
			h := expect.HistoryReading{Value: &v, Unit: "dBTP", Max: &most, Verdict: "pass"}
			if r.Limits++; v > most {
				r.NotMet++
				h.Verdict = "fail"
			}
			r.Readings[subject][name] = h
		}
	}
	return r
}

// A history states whether the last run met its limits, since when a limit is not met, and
// which limits are no longer checked. It draws what failed or moved, the worst first.
func TestHistory(t *testing.T) {
	var runs []expect.HistoryRun
	for n := 1; n <= 5; n++ {
		a := map[string]float64{"true_peak_dbtp": -3 + 0.6*float64(n), "sample_peak_dbfs": -4, "gone_dbtp": -2}
		readings := map[string]map[string]float64{"ep1.wav": a, "ep2.wav": {"true_peak_dbtp": -2 + 0.001*float64(n)}}
		if n == 5 {
			delete(readings, "ep2.wav")
			delete(a, "gone_dbtp")
		}
		runs = append(runs, historyRun(n, n < 4, readings))
	}
	p := History("History of checks", runs, []string{"boothbench report history runs.jsonl"}, "boothbench test")
	if got, want := p.sign()+" "+p.Answer, "✗ fail The last of 5 runs (commit-5, 2026-11-05 12:00:00 UTC) did not meet 1 of its 2 limits."; got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
	if got, want := strings.Join(p.Do, "\n"), "ep1.wav: true_peak_dbtp is 0.00 dBTP; the limit is at most -1 dBTP, not met since run 4 (commit-4, 2026-11-04 12:00:00 UTC).\nep1.wav: no longer judged in the last run: gone_dbtp.\nep2.wav is not judged in the last run, and was in the one before."; got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
	pictures := p.Pictures()
	if len(pictures) != 1 || pictures[0].Title != "true_peak_dbtp" || len(pictures[0].Panels) != 2 || pictures[0].Panels[0].Y.Name != "ep1.wav" {
		t.Fatalf("%+v", pictures)
	}
	if svg := picture.SVG(pictures[0], picture.File); !strings.Contains(svg, "range of the limit") {
		t.Error("no band of the limit")
	}
	html := string(p.HTML())
	for _, want := range []string{"+0.6", "not judged", "−2.40"} {
		if !strings.Contains(html, want) {
			t.Errorf("no %q", want)
		}
	}
	if string(History("History of checks", runs, []string{"boothbench report history runs.jsonl"}, "boothbench test").HTML()) != html {
		t.Error("two pages of one history differ")
	}
	one := History("History of checks", runs[:1], nil, "v")
	if one.sign() != "✓ pass" || len(one.Pictures()) != 0 || !strings.Contains(string(one.HTML()), "One run has no trend.") {
		t.Errorf("one run: %s", one.Answer)
	}
	// Many subjects and readings are bounded, and what is left out is counted.
	many := []expect.HistoryRun{}
	for n := 1; n <= 3; n++ {
		readings := map[string]map[string]float64{}
		for s := range 9 {
			values := map[string]float64{}
			for k := range 20 {
				values[fmt.Sprintf("reading_%d_db", k)] = -3 - float64(n*(k+1)+s)/100
			}
			readings[fmt.Sprintf("ep%d.wav", s)] = values
		}
		many = append(many, historyRun(n, true, readings))
	}
	if p := History("x", many, nil, "v"); len(p.Pictures()) != mostTrends || !strings.Contains(p.Sections[0].Text, fmt.Sprintf("has %d more readings, which are not drawn", 9*20-mostTrends*mostInTrend)) {
		t.Errorf("%d pictures; %s", len(p.Pictures()), p.Sections[0].Text)
	}
}
