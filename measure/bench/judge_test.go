package bench

import (
	"strings"
	"testing"

	"github.com/boothbench/boothbench/measure"
)

func numbered(v float64) *float64 { return &v }

// A claim on an upper bound is decided only where the bound meets it, and one within the
// uncertainty of its limit says so.
func TestClaimsOnBounds(t *testing.T) {
	bound := Row{Path: "line", Test: "tone", Reading: "harmonic3_db_ch1", Value: numbered(-120), Unit: "dB", AtMost: true}
	value := Row{Path: "line", Test: "tone", Reading: "thd_total_db", Value: numbered(-100), Unit: "dB", Uncertainty: 0.5}
	for _, c := range []struct {
		limit         measure.Limit
		want, phrase  string
		withoutPhrase string
	}{
		{measure.Limit{Reading: "harmonic3_db", Max: numbered(-110)}, "pass", "", ""},
		{measure.Limit{Reading: "harmonic3_db", Max: numbered(-130)}, "undecided", "no larger than the noise, at most -120.00 dB", ""},
		{measure.Limit{Reading: "harmonic3_db", Min: numbered(-130)}, "undecided", "no larger than the noise", ""},
		{measure.Limit{Reading: "thd_total_db", Max: numbered(-100.3)}, "fail", "within the uncertainty of ±0.5 dB", ""},
		{measure.Limit{Reading: "thd_total_db", Max: numbered(-99.8)}, "pass", "within the uncertainty of ±0.5 dB", ""},
		{measure.Limit{Reading: "thd_total_db", Max: numbered(-99)}, "pass", "", "within the uncertainty"},
	} {
		p := &Plan{Device: "A", Claims: []Claim{{Path: "line", Test: "tone", Limit: c.limit}}}
		judged := p.judge([]Row{bound, value})
		if len(judged) != 1 || judged[0].Verdict != c.want || !strings.Contains(judged[0].Sentence, c.phrase) || c.withoutPhrase != "" && strings.Contains(judged[0].Sentence, c.withoutPhrase) {
			t.Errorf("%v: %v, want %s, %q", c.limit, judged, c.want, c.phrase)
		}
	}
}

// Devices stand in the order of their largest overshoot, and not of that of the first signal.
func TestOrderByLargestOvershoot(t *testing.T) {
	sheet := func(device string, first, largest float64) *Sheet {
		row := func(test string, v float64) Row {
			return Row{Path: "limiter", Condition: "48000 Hz", Test: test, Reading: "overshoot_fine_db", Value: &v, Unit: "dB"}
		}
		return &Sheet{Device: device, Rows: []Row{row(overshootTest+", bursts +6 dB", first), row(overshootTest, largest)}}
	}
	sorted, row := By([]*Sheet{sheet("A", 0.1, 3), sheet("B", 0.2, 1)}, "overshoot_fine_db")
	if row == nil || row.Test != overshootTest || sorted[0].Device != "B" {
		t.Errorf("by %v: %s first", row, sorted[0].Device)
	}
	if _, row := By(sorted, "thd_total_db"); row != nil {
		t.Errorf("ordered by a reading that no sheet has: %v", row)
	}
}
