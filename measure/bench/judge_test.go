package bench

import (
	"math"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/measure"
)

func numbered(v float64) *float64 { return &v }

// A claim on an upper bound is decided only where the bound meets the claim. A claim is
// undecided where its limit lies within the uncertainty, where repeats contradict each other,
// where a gain was assumed and where a finding contradicts the value.
func TestUndecidedClaims(t *testing.T) {
	bound := Row{Path: "line", Test: "tone", Reading: "harmonic3_db_ch1", Value: numbered(-120), Unit: "dB", AtMost: true}
	value := Row{Path: "line", Test: "tone", Reading: "thd_total_db", Value: numbered(-100), Unit: "dB", Uncertainty: 0.5}
	spread := 8.0
	repeats := Row{Path: "line", Test: "tone", Reading: "gain_db", Value: numbered(5), Unit: "dB", Uncertainty: 4, Values: []*float64{numbered(1), numbered(9)}, Spread: &spread}
	assumed := Row{Path: "line", Test: "tone", Reading: "equivalent_input_noise_dbu", Value: numbered(-126), Unit: "dBu", Uncertainty: 0.04, Assumes: "the plan's gain of 55 dB"}
	contradicted := Row{Path: "line", Test: "tone", Reading: "idle_noise_dbfs", Value: numbered(-118), Unit: "dBFS", Contradicted: "the path is muted in silence"}
	for _, c := range []struct {
		limit        measure.Limit
		want, phrase string
		absentPhrase string
	}{
		{measure.Limit{Reading: "harmonic3_db", Max: numbered(-110)}, "pass", "", ""},
		{measure.Limit{Reading: "harmonic3_db", Max: numbered(-130)}, "undecided", "no larger than the noise, at most -120.00 dB", ""},
		{measure.Limit{Reading: "harmonic3_db", Min: numbered(-130)}, "undecided", "no larger than the noise", ""},
		{measure.Limit{Reading: "thd_total_db", Max: numbered(-100.3)}, "undecided", "-100.00 dB ±0.5, and the limit lies within the uncertainty", ""},
		{measure.Limit{Reading: "thd_total_db", Max: numbered(-99.8)}, "undecided", "and the limit lies within the uncertainty", ""},
		{measure.Limit{Reading: "thd_total_db", Max: numbered(-99)}, "pass", "", "within the uncertainty"},
		{measure.Limit{Reading: "thd_total_db", Max: numbered(-101)}, "fail", "1.00 dB too much", "within the uncertainty"},
		{measure.Limit{Reading: "thd_total_db", Min: numbered(-100.2), Max: numbered(-80)}, "undecided", "the limit lies within the uncertainty", "remove the limit"},
		{measure.Limit{Reading: "gain_db", Max: numbered(12)}, "undecided", "its repeats contradict each other: 1.00, 9.00 dB", ""},
		{measure.Limit{Reading: "equivalent_input_noise_dbu", Max: numbered(-120)}, "undecided", "-126.00 dBu ±0.04 with the plan's gain of 55 dB, which was not measured", ""},
		{measure.Limit{Reading: "idle_noise_dbfs", Max: numbered(-110)}, "undecided", "-118.00 dBFS, but the path is muted in silence", ""},
	} {
		p := &Plan{Device: "A", Claims: []Claim{{Path: "line", Test: "tone", Limit: c.limit}}}
		judged := (&Sheet{Rows: []Row{bound, value, repeats, assumed, contradicted}}).judge(p)
		if len(judged) != 1 || judged[0].Verdict != c.want || !strings.Contains(judged[0].Sentence, c.phrase) || c.absentPhrase != "" && strings.Contains(judged[0].Sentence, c.absentPhrase) {
			t.Errorf("%v: %v, want %s, %q", c.limit, judged, c.want, c.phrase)
		}
		if bound := strings.Contains(c.phrase, "no larger than the noise"); !bound && (strings.Contains(judged[0].Sentence, " is undecided (") != (c.want == "undecided") || strings.Contains(judged[0].Sentence, "measurable")) {
			t.Errorf("%v: %s", c.limit, judged[0].Sentence)
		}
	}
}

// A plan can claim that its recordings have no findings.
func TestClaimOfNoFindings(t *testing.T) {
	p := &Plan{Device: "A", Claims: []Claim{{Path: "line", Limit: measure.AtMost(FindingsReading, 0)}}}
	s := &Sheet{Findings: []Lack{{Of: "mic, 48000 Hz", What: "polarity inverted", Path: "mic"}}}
	if j := s.judge(p); len(j) != 1 || j[0].Verdict != "pass" {
		t.Errorf("findings of another path: %v", j)
	}
	s.Findings[0].Path = "line"
	if j := s.judge(p); len(j) != 1 || j[0].Verdict != "fail" || !strings.Contains(j[0].Sentence, "polarity inverted") {
		t.Errorf("a finding of the path: %v", j)
	}
}

// A value that a finding contradicts is not the best of its row, and its grade is undecided.
func TestContradictedValueIsNotCompared(t *testing.T) {
	sheet := func(device string, v float64, sentence string) *Sheet {
		return &Sheet{Device: device, Rows: []Row{{Path: "line", Reading: "idle_noise_dbfs", Value: &v, Unit: "dBFS", Contradicted: sentence}}}
	}
	c := Compare([]*Sheet{sheet("A", -118, "the path is muted in silence"), sheet("B", -100, "")})
	if len(c) != 1 || c[0].Why != "on A, the path is muted in silence" || c[0].Best[0] || c[0].Best[1] {
		t.Errorf("%+v", c)
	}
	rubric := &Rubric{Grades: []Grading{{Reading: "idle_noise_dbfs", Steps: []GradeStep{{"A", math.Inf(-1), math.Inf(1)}}}}}
	if got := rubric.Of(c[0].Rows[0]) + "/" + rubric.Of(c[0].Rows[1]); got != "undecided/A" {
		t.Errorf("grades %s, want undecided and A", got)
	}
}

// Devices are sorted by their largest overshoot, not by that of the first signal.
func TestDevicesAreSortedByLargestOvershoot(t *testing.T) {
	sheet := func(device string, first, largest float64) *Sheet {
		row := func(test string, v float64) Row {
			return Row{Path: "limiter", Condition: "48000 Hz", Test: test, Reading: "overshoot_fine_db", Value: &v, Unit: "dB"}
		}
		return &Sheet{Device: device, Rows: []Row{row(overshootTest+", bursts +6 dB", first), row(overshootTest, largest)}}
	}
	sorted, row, _ := By([]*Sheet{sheet("A", 0.1, 3), sheet("B", 0.2, 1)}, "overshoot_fine_db")
	if row == nil || row.Test != overshootTest || sorted[0].Device != "B" {
		t.Errorf("by %v: %s first", row, sorted[0].Device)
	}
	if _, row, why := By(sorted, "thd_total_db"); row != nil || why != "" {
		t.Errorf("ordered by a reading that no sheet has: %v, %s", row, why)
	}
	sorted[1].Rows[0].Value, sorted[1].Rows[0].Reason = nil, "not reached"
	sorted[1].Rows[1].Value, sorted[1].Rows[1].Reason = nil, "not reached"
	if _, row, why := By(sorted, "overshoot_fine_db"); row != nil || !strings.Contains(why, "not measured on A: not reached") {
		t.Errorf("ordered by %v; why not: %q, and A has no value", row, why)
	}
}

// Two upper bounds are not equal. A device is the best only where no upper bound of another may
// be lower.
func TestCompareUpperBounds(t *testing.T) {
	bound := func(v float64) Row {
		return Row{Reading: "thd_total_db", Value: &v, Unit: "dB", Uncertainty: 0.1, AtMost: true}
	}
	value := func(v float64) Row { return Row{Reading: "thd_total_db", Value: &v, Unit: "dB", Uncertainty: 0.1} }
	none := Row{Reading: "thd_total_db", Unit: "dB", Reason: "no tone"}
	assumed := value(-100)
	assumed.Assumes = "the plan's gain of 55 dB"
	for _, c := range []struct {
		rows          []Row
		best          string
		bounds, equal bool
		why           string
	}{
		{[]Row{bound(-100), bound(-100)}, "", true, false, ""},
		{[]Row{bound(-100), bound(-90), bound(-80)}, "", true, false, ""},
		{[]Row{bound(-100), value(-90)}, "A", false, false, ""},
		{[]Row{value(-90), bound(-90)}, "", false, false, "B is known only to be at most -90.00 dB"},
		{[]Row{value(-90), bound(-80)}, "", false, false, "B is known only to be at most -80.00 dB"},
		{[]Row{bound(-100), bound(-95), value(-80)}, "", false, false, "A is known only to be at most -100.00 dB, B is known"},
		{[]Row{value(-90), value(-90.1)}, "", false, true, ""},
		{[]Row{value(-90), value(-91)}, "B", false, false, ""},
		{[]Row{value(-90), none}, "", false, false, "not measured on B: no tone"},
		{[]Row{value(-90), assumed}, "", false, false, "that of B is with the plan's gain of 55 dB, which was not measured"},
	} {
		var sheets []*Sheet
		for i, r := range c.rows {
			sheets = append(sheets, &Sheet{Device: string(rune('A' + i)), Rows: []Row{r}})
		}
		got, best := Compare(sheets)[0], ""
		for d, is := range got.Best {
			if is {
				best += sheets[d].Device
			}
		}
		if best != c.best || got.Bounds != c.bounds || got.Equal != c.equal || !strings.Contains(got.Why, c.why) || (got.Why != "") != (c.why != "") {
			t.Errorf("%v: best %q, only bounds %v, equal %v, why %q; want %+v", c.rows, best, got.Bounds, got.Equal, got.Why, c)
		}
	}
}
