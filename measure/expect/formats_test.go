package expect

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/boothbench/boothbench/measure"
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

// TestJUnitFollowsTheSchema has xmllint check the report against the JUnit XML
// schema of the Apache Ant tasks, which BOOTHBENCH_JUNIT_XSD names.
func TestJUnitFollowsTheSchema(t *testing.T) {
	schema := os.Getenv("BOOTHBENCH_JUNIT_XSD")
	required(t, schema != "", "the schema (BOOTHBENCH_JUNIT_XSD)")
	xmllint, err := exec.LookPath("xmllint")
	required(t, err == nil, "xmllint")
	name := filepath.Join(t.TempDir(), "report.xml")
	var b bytes.Buffer
	if err := WriteJUnit(&b, someResults(), fixedTime); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, b.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(xmllint, "--noout", "--nonet", "--schema", schema, name).CombinedOutput(); err != nil {
		t.Errorf("%v\n%s\n%s", err, out, b.Bytes())
	}
	for _, want := range []string{`tests="3" failures="1" errors="1"`, `type="not-measurable"`, "at 00:12:04.284"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("no %s in\n%s", want, b.Bytes())
		}
	}
}

// TestTAPIsConsumed has perl's prove read the report: of six tests four fail.
func TestTAPIsConsumed(t *testing.T) {
	prove, err := exec.LookPath("prove")
	required(t, err == nil, "prove, of perl,")
	dir := t.TempDir()
	consume := func(results []measure.Judgement) (string, error) {
		name := filepath.Join(dir, "report.tap")
		var b bytes.Buffer
		if err := WriteTAP(&b, results); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, b.Bytes(), 0o666); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(prove, "--exec", "cat", name).CombinedOutput()
		return string(out), err
	}
	out, err := consume(someResults())
	if err == nil || !strings.Contains(out, "Failed 4/6 subtests") || !strings.Contains(out, "Failed tests:  2-3, 5-6") {
		t.Errorf("prove: %v\n%s", err, out)
	}
	if out, err := consume(someResults()[:1]); err != nil || !strings.Contains(out, "Result: PASS") {
		t.Errorf("prove: %v\n%s", err, out)
	}
}
