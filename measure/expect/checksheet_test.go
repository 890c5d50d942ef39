package expect

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
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
		if all := strings.Join(got, " "); all != c.want+" pass" { // the last: no findings
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

const foundText = `{"schema_version":1,"kind":"bench sheet","device":"A","rows":[
{"path":"line","condition":"48000 Hz","test":"idle-noise","reading":"idle_noise_a_dbfs","value":-118,"unit":"dBFS","contradicted":"the path is muted in silence"},
{"path":"line","condition":"48000 Hz","test":"response","reading":"gain_db","value":0,"unit":"dB"},
{"path":"mic","condition":"48000 Hz","test":"response","reading":"gain_db","value":0,"unit":"dB"}],
"findings":[{"of":"line, 48000 Hz, idle-noise","what":"idle_noise_dbfs is -118 dBFS: the path is muted in silence","do":"switch gates off","path":"line"},
{"of":"a.wav (mic, 48000 Hz, response)","what":"polarity inverted","do":"swap the conductors","path":"mic"}]}`

// A sheet with findings fails, in every report, until they are accepted or a limit allows
// them; and a reading that a finding contradicts is not judged until that finding is accepted.
func TestFindingsOfASheet(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "a.json"), []byte(foundText), 0o666); err != nil {
		t.Fatal(err)
	}
	const group = "[[expect]]\nsheet = \"a.json\"\n"
	const muted, inverted = `accept = ["muted in silence"]` + "\n", `accept = ["polarity inverted"]` + "\n"
	for _, c := range []struct{ limits, want, phrase string }{
		{group + `gain_db = { max = 1 }`, "pass pass fail", "a.json: findings is 2 findings, limit at most 0 findings (usual of a sheet; accept = "},
		{group + `gain_db = { max = 1 }`, "pass pass fail", "the path is muted in silence: switch gates off; a.wav (mic, 48000 Hz, response): polarity inverted: swap"},
		{group + "path = \"mic\"\ngain_db = { max = 1 }", "pass fail", "findings is 1 finding,"},
		{group + "path = \"mic\"\n" + inverted + "gain_db = { max = 1 }", "pass pass", ""},
		{group + "path = \"mic\"\n" + muted + "gain_db = { max = 1 }", "pass fail", "findings is 1 finding,"},
		{group + "path = \"line\"\nidle_noise_a_dbfs = { max = -110 }", "undecided fail", "undecided (-118.00 dBFS, but the path is muted in silence)"},
		{group + "path = \"line\"\n" + muted + "idle_noise_a_dbfs = { max = -110 }", "pass pass", ""},
		{group + "path = \"line\"\nfindings = { max = 1 }\nidle_noise_a_dbfs = { max = -110 }", "pass undecided", "muted"},
		{group + "findings = { max = 2 }", "pass", ""},
		{group + "findings = { max = 1 }", "fail", "findings is 2"},
		{group + muted + "findings = { max = 1 }", "pass", ""},
		{group + muted + "gain_db = { max = 1 }\n" + group + inverted + "path = \"line\"\nidle_noise_a_dbfs = { max = -110 }", "pass pass pass pass", ""},
	} {
		l, err := Parse(filepath.Join(dir, "limits.toml"), []byte("schema = 1\n"+c.limits))
		if err != nil {
			t.Fatalf("%s: %v", c.limits, err)
		}
		run, err := l.Run(context.Background(), nil, Work{})
		if err != nil {
			t.Fatal(err)
		}
		var got, sentences []string
		for _, r := range run.Results() {
			got, sentences = append(got, r.Verdict.String()), append(sentences, r.Sentence())
		}
		text := strings.Join(sentences, "\n")
		if all := strings.Join(got, " "); all != c.want || !strings.Contains(text, c.phrase) {
			t.Errorf("%s: %s, want %s with %q:\n%s", c.limits, all, c.want, c.phrase, text)
		}
		var junit, tap strings.Builder
		if err := WriteJUnit(&junit, run, time.Now()); err != nil {
			t.Fatal(err)
		}
		if err := WriteTAP(&tap, run.Results()); err != nil {
			t.Fatal(err)
		}
		failed := strings.Contains(junit.String(), "<failure") || strings.Contains(junit.String(), "<error")
		if passes := !strings.Contains(c.want, "fail") && !strings.Contains(c.want, "undecided"); run.Passed() != passes || failed == passes || strings.Contains(tap.String(), "not ok") == passes {
			t.Errorf("%s: passed %t, JUnit failed %t, TAP %s", c.limits, run.Passed(), failed, &tap)
		}
	}
	for text, phrase := range map[string]string{
		group + "accept = [\"\"]\ngain_db = { max = 1 }":       "an empty phrase",
		group + "accept = \"polarity\"\ngain_db = { max = 1 }": "a list of phrases",
	} {
		if _, err := Parse("limits.toml", []byte("schema = 1\n"+text)); err == nil || !strings.Contains(err.Error(), phrase) {
			t.Errorf("%s: %v, want %q", text, err, phrase)
		}
	}
}
