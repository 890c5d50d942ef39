package expect

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// someResults hold a pass, a failure, something that is not measurable, and a
// name with all that XML and TAP must escape.
func someResults() []measure.Judgement {
	readings := measure.Readings{
		{Name: "integrated_lufs", Reading: measure.Reading{Value: -20.04, Unit: "LUFS", Frame: -1, Channel: -1}},
		{Name: "true_peak_dbtp", Reading: measure.Reading{Value: -0.4, Unit: "dBTP", Frame: 34_765_664}},
		{Name: "loudness_range_lu", Reading: measure.Reading{Reason: "too short: 2 s < 3 s", Unit: "LU", Frame: -1, Channel: -1}},
	}
	var results []measure.Judgement
	for _, subject := range []string{"ep1.wav", `a <b> & "c" #1.wav`} {
		results = append(results,
			measure.Judge(subject, 48000, readings, measure.Between("integrated_lufs", -20, 0.5)),
			measure.Judge(subject, 48000, readings, measure.AtMost("true_peak_dbtp", -1)),
			measure.Judge(subject, 48000, readings, measure.AtLeast("loudness_range_lu", 3)))
	}
	return results
}

var fixedTime = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// required skips a check against an outside tool that is not there, or fails
// where references are required.
func required(t *testing.T, found bool, what string) {
	t.Helper()
	if found {
		return
	}
	if os.Getenv("BOOTHBENCH_REFERENCES") == "required" {
		t.Fatalf("%s is missing", what)
	}
	t.Skipf("%s is missing", what)
}

// outcomes are results of every kind: none, one and several that pass, a failure, nothing
// that could be measured, all mixed.
func outcomes() map[string][]measure.Judgement {
	all := someResults()
	return map[string][]measure.Judgement{
		"none":          nil,
		"one passes":    all[:1],
		"two pass":      {all[0], all[3]},
		"one fails":     all[1:2],
		"not measured":  all[2:3],
		"not readable":  Checked{Subject: "ep9.wav", Err: errNoSound}.Results(),
		"one for twice": {all[0], all[0], all[1]},
		"mixed":         all,
	}
}

// notPassed counts by verdict; of no result there is one that is undecided.
func notPassed(results []measure.Judgement) (cases, failures, errors int) {
	for _, r := range results {
		switch cases++; r.Verdict {
		case measure.Fail:
			failures++
		case measure.Undecided:
			errors++
		}
	}
	if cases == 0 {
		return 1, 0, 1
	}
	return cases, failures, errors
}

// TestJUnitFollowsTheSchema has xmllint check the reports against the JUnit XML
// schema of the Apache Ant tasks, which BOOTHBENCH_JUNIT_XSD names, and count in them: each
// case, with its reading as a property, and each that did not pass.
func TestJUnitFollowsTheSchema(t *testing.T) {
	schema := os.Getenv("BOOTHBENCH_JUNIT_XSD")
	required(t, schema != "", "the schema (BOOTHBENCH_JUNIT_XSD)")
	xmllint, err := exec.LookPath("xmllint")
	required(t, err == nil, "xmllint")
	name := filepath.Join(t.TempDir(), "report.xml")
	for outcome, results := range outcomes() {
		var b bytes.Buffer
		if err := WriteJUnit(&b, runOf(results), fixedTime); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, b.Bytes(), 0o666); err != nil {
			t.Fatal(err)
		}
		if out, err := exec.Command(xmllint, "--noout", "--nonet", "--schema", schema, name).CombinedOutput(); err != nil {
			t.Errorf("%s: %v\n%s\n%s", outcome, err, out, b.Bytes())
		}
		cases, failures, errors := notPassed(results)
		for path, want := range map[string]int{
			"count(//testcase)": cases, "count(//testcase[failure])": failures, "count(//testcase[error])": errors, "sum(//testsuite/@tests)": cases,
			"sum(//testsuite/@failures)": failures, "sum(//testsuite/@errors)": errors, "count(//testcase[@name=../properties/property/@name])": cases, "count(//property)": cases,
		} {
			out, err := exec.Command(xmllint, "--nonet", "--xpath", path, name).Output()
			if got := strings.TrimSpace(string(out)); err != nil || got != strconv.Itoa(want) {
				t.Errorf("%s: %s is %s, want %d (%v)", outcome, path, got, want, err)
			}
		}
	}
	var b bytes.Buffer
	if err := WriteJUnit(&b, runOf(someResults()), fixedTime); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`tests="3" failures="1" errors="1"`, `type="not-measurable"`, "at 00:12:04.284"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("no %s in\n%s", want, b.Bytes())
		}
	}
}

// TestTAPIsConsumed has perl's prove read the reports: it passes those in which all pass,
// and counts what did not.
func TestTAPIsConsumed(t *testing.T) {
	prove, err := exec.LookPath("prove")
	required(t, err == nil, "prove, of perl,")
	name := filepath.Join(t.TempDir(), "report.tap")
	for outcome, results := range outcomes() {
		if outcome != "mixed" && !dsptest.IsExhaustive() { // a start of perl each
			continue
		}
		var b bytes.Buffer
		if err := WriteTAP(&b, results); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, b.Bytes(), 0o666); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(prove, "--exec", "cat", name).CombinedOutput()
		cases, failures, errors := notPassed(results)
		want := "Result: PASS"
		if bad := failures + errors; bad > 0 {
			want = fmt.Sprintf("Failed %d/%d subtests", bad, cases)
		}
		if (err == nil) != (failures+errors == 0) || !strings.Contains(string(out), want) || strings.Contains(string(out), "Parse errors") {
			t.Errorf("%s: prove: %v, want %s\n%s", outcome, err, want, out)
		}
		if outcome == "mixed" && !strings.Contains(string(out), "Failed tests:  2-3, 5-6") {
			t.Errorf("prove names others:\n%s", out)
		}
	}
}

// Annotations have nine fields a line, one line for each limit that is not met.
func TestAnnotations(t *testing.T) {
	for outcome, results := range outcomes() {
		if len(results) > 0 {
			results[0].Subject = "a\tb\nc.wav"
		}
		var b bytes.Buffer
		if err := WriteAnnotations(&b, results); err != nil {
			t.Fatal(err)
		}
		_, failures, errors := notPassed(results)
		lines := strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
		if b.Len() == 0 {
			lines = nil
		}
		if len(lines) != failures+errors {
			t.Errorf("%s: %q", outcome, lines)
		}
		for _, line := range lines {
			if fields := strings.Split(line, "\t"); len(fields) != 9 || fields[0] != "fail" && fields[0] != "undecided" || fields[8] == "" {
				t.Errorf("%s: %q", outcome, fields)
			}
		}
	}
	var b bytes.Buffer
	WriteAnnotations(&b, someResults()[1:2])
	if got, want := b.String(), "fail\tep1.wav\ttrue_peak_dbtp\t-0.4\tdBTP\t00:12:04.284\t34765664\t1\t"; !strings.HasPrefix(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

// runOf is a run with results, whose subjects follow each other.
func runOf(results []measure.Judgement) (r Run) {
	for _, j := range results {
		if last := len(r.Checked) - 1; last < 0 || r.Checked[last].Subject != j.Subject {
			r.Checked = append(r.Checked, Checked{Subject: j.Subject})
		}
		c := &r.Checked[len(r.Checked)-1]
		c.Judgements = append(c.Judgements, j)
	}
	return r
}

// The times of a report are those of its judgements: of a real run each that waits for an
// instrument has some, and those of a suite add up.
func TestJUnitTimes(t *testing.T) {
	c := Checked{Subject: "ep1.wav", Judgements: someResults()[:3], took: []time.Duration{1234 * time.Millisecond, 0, 2 * time.Second}}
	var b bytes.Buffer
	if err := WriteJUnit(&b, Run{Checked: []Checked{c}}, fixedTime); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`errors="1" time="3.234"`, `time="1.234"`, `time="0.000"`, `time="2.000"`} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("no %s in\n%s", want, b.Bytes())
		}
	}
	path := filepath.Join(t.TempDir(), "a.wav")
	writeWAV(t, path, dsp.Block{testsound.Noise(96000, 0.1, 3)})
	l, err := Parse("limits.toml", []byte("schema = 1\n[[expect]]\nnoise_floor_dbfs = { max = 0 }\nintegrated_lufs = { max = 0 }\nloudness_range_lu = { max = 9 }\n"))
	if err != nil {
		t.Fatal(err)
	}
	before := time.Now()
	checked := l.CheckFile(t.Context(), path)
	all := time.Since(before)
	if took := checked.took; len(took) != 3 || took[0] <= 0 || took[1] <= took[2] || took[0]+took[1]+took[2] > all {
		t.Errorf("%v of %v", took, all)
	}
}

// The unit of a line is that of the sentence: a mathematical rms is so named.
func TestUnitsOfAnnotations(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	writeWAV(t, path, dsp.Block{testsound.Noise(96000, 0.1, 3)})
	l, err := Parse("limits.toml", []byte("schema = 1\n[[expect]]\nnoise_floor_dbfs = { max = -90 }\nsample_peak_dbfs = { max = -90 }\n"))
	if err != nil {
		t.Fatal(err)
	}
	checked := l.CheckFile(t.Context(), path)
	var b strings.Builder
	if err := WriteAnnotations(&b, checked.Results()); err != nil {
		t.Fatal(err)
	}
	for i, unit := range []string{"dBFS-rms", "dBFS"} {
		fields := strings.Split(strings.Split(b.String(), "\n")[i], "\t")
		if fields[4] != unit || !strings.Contains(fields[8], fields[4]) {
			t.Errorf("%q, want %s", fields, unit)
		}
	}
}
