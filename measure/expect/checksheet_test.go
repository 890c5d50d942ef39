package expect

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const sheetText = `{"schema_version":1,"kind":"bench sheet","device":"A","rows":[
{"path":"line","condition":"48000 Hz","test":"dynamic-range","reading":"dynamic_range_a_db_ch1","value":112,"unit":"dB","uncertainty":0.03},
{"path":"line","condition":"48000 Hz","test":"dynamic-range","reading":"dynamic_range_a_db_ch2","value":109,"unit":"dB","uncertainty":0.03},
{"path":"line","condition":"48000 Hz","test":"tone","reading":"harmonic3_db","value":-120,"unit":"dB","at_most":true},
{"path":"line","condition":"48000 Hz","test":"tone","reading":"harmonic2_db","value":null,"reason":"no tone","unit":"dB"},
{"path":"mic","condition":"48000 Hz","test":"dynamic-range","reading":"dynamic_range_a_db","value":90,"unit":"dB","uncertainty":0.03}]}`

// A limits file judges the rows of a device's sheet: each channel, of a path or a test where
// these are named. An upper bound decides only what lies above it, and a reading that the sheet
// does not have is undecided.
func TestLimitsOfASheet(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "a.json"), []byte(sheetText), 0o666); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ limits, want string }{
		{`dynamic_range_a_db = { min = 100 }`, "pass pass fail"},
		{"path = \"line\"\ndynamic_range_a_db = { min = 110 }", "pass fail"},
		{"path = \"line\"\ndynamic_range_a_db_ch1 = { min = 110 }", "pass"},
		{"test = \"tone\"\ndynamic_range_a_db = { min = 110 }", "undecided"},
		{`harmonic3_db = { max = -110 }`, "pass"},
		{`harmonic3_db = { max = -130 }`, "undecided"},
		{`harmonic3_db = { min = -110 }`, "undecided"},
		{`harmonic2_db = { max = -110 }`, "undecided"},
		{`overshoot_fine_db = { max = 1 }`, "undecided"},
	} {
		l, err := Parse(filepath.Join(dir, "limits.toml"), []byte("schema = 1\n[[expect]]\nsheet = \"a.json\"\n"+c.limits))
		if err != nil {
			t.Fatalf("%s: %v", c.limits, err)
		}
		run, err := l.Run(context.Background(), nil, Work{})
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, r := range run.Results() {
			got = append(got, r.Verdict.String())
		}
		if all := strings.Join(got, " "); all != c.want {
			t.Errorf("%s: %s, want %s: %v", c.limits, all, c.want, run.Results())
		}
	}
	for text, phrase := range map[string]string{
		"[[expect]]\nsheet = \"a.json\"\nintegrated_lufs = { max = 1 }":                "readings of a sheet",
		"[[expect]]\nsheet = \"a.json\"":                                               "no limit",
		"[[expect]]\nfiles = [\"a.wav\"]\ndynamic_range_a_db = { min = 1 }":            "a reading of a device's sheet",
		"[[expect]]\nsheet = \"a.json\"\nfiles = [\"a.wav\"]\ndrift_ppm = { max = 1 }": "files",
	} {
		if _, err := Parse("limits.toml", []byte("schema = 1\n"+text)); err == nil || !strings.Contains(err.Error(), phrase) {
			t.Errorf("%s: %v, want %q", text, err, phrase)
		}
	}
	l, err := Parse(filepath.Join(dir, "limits.toml"), []byte("schema = 1\n[[expect]]\nsheet = \"none.json\"\ndrift_ppm = { max = 1 }"))
	if err != nil {
		t.Fatal(err)
	}
	if run, err := l.Run(context.Background(), nil, Work{}); err != nil || run.Passed() {
		t.Errorf("a sheet that is not there passes: %v, %v", run, err)
	}
}
