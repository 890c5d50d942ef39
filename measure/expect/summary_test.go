package expect

import (
	"strings"
	"testing"

	"github.com/boothbench/boothbench/measure"
)

// A summary has ten lines at most and says how much it leaves out; the names of JUnit's
// cases stay when a limit changes.
func TestSummaryAndStableNames(t *testing.T) {
	var many []Checked
	for range 9 {
		many = append(many, Checked{Subject: "ep1.wav", Judgements: someResults()[:3]})
	}
	for name, c := range map[string]struct {
		run  Run
		want string
	}{
		"none":  {Run{}, "**Limits are not met**: 0 subjects, 1 of 1 limit not met"},
		"one":   {Run{Checked: []Checked{{Subject: "ep1.wav", Judgements: someResults()[:1]}}}, "**All limits are met**: 1 subject, 0 of 1 limit not met"},
		"many":  {Run{Checked: many}, "- and 11 more"},
		"error": {Run{Checked: []Checked{{Subject: "a_b.wav", Err: errNoSound}}}, `a\_b.wav: nothing was measured`},
	} {
		var b strings.Builder
		if err := WriteSummary(&b, c.run); err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(b.String(), c.want) || strings.Count(b.String(), "\n") > summaryLines {
			t.Errorf("%s: %s\nwant %s", name, &b, c.want)
		}
	}
	names := func(most float64) string {
		readings := measure.Readings{{Name: "true_peak_dbtp", Reading: measure.Reading{Value: -2, Unit: "dBTP", Frame: -1, Channel: -1}}}
		var b strings.Builder
		j := measure.Judge("ep1.wav", 48000, readings, measure.AtMost("true_peak_dbtp", most))
		WriteJUnit(&b, runOf([]measure.Judgement{j, j}), fixedTime)
		return b.String()
	}
	if a, b := names(-1), names(-1.5); a != b || !strings.Contains(a, `<testcase name="true_peak_dbtp" `) || !strings.Contains(a, `<testcase name="true_peak_dbtp 2" `) || !strings.Contains(a, `<property name="true_peak_dbtp" value="-2.00 dBTP">`) {
		t.Errorf("%s\n%s", a, b)
	}
}
