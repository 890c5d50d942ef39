package expect

import (
	"bytes"
	"strings"
	"testing"
)

// TestSpecs holds the data against the documents: EBU R 128 (2023), its
// supplement s1 and ATSC A/85, read in two published sources each; AES TD1008
// second-hand; the podcast levels are common practice, no source.
func TestSpecs(t *testing.T) {
	want := map[string]string{
		"ebu-r128":       "integrated_lufs -23.2 to -22.8, true_peak_dbtp at most -1",
		"ebu-r128-live":  "integrated_lufs -24 to -22, true_peak_dbtp at most -1",
		"ebu-r128-short": "integrated_lufs -23.2 to -22.8, short_term_max_lufs at most -18, true_peak_dbtp at most -1",
		"atsc-a85":       "integrated_lufs -26 to -22, true_peak_dbtp at most -2",
		"td1008-speech":  "integrated_lufs at most -17, true_peak_dbtp at most -1",
		"td1008-music":   "integrated_lufs at most -15.8, true_peak_dbtp at most -1",
		"podcast-stereo": "channels exactly 2, integrated_lufs -17 to -15, true_peak_dbtp at most -1",
		"podcast-mono":   "channels exactly 1, integrated_lufs -20 to -18, true_peak_dbtp at most -1",
	}
	for _, s := range Specs() {
		var limits []string
		for _, l := range s.Limits {
			limits = append(limits, l.Reading+" "+l.String())
		}
		if got := strings.Join(limits, ", "); got != want[s.Name] {
			t.Errorf("%s: %s; want %s", s.Name, got, want[s.Name])
		}
		if s.For == "" || s.Document == "" || s.Status == "" || s.Document != "none" && s.Edition == "" {
			t.Errorf("%s lacks what it is for, its document, edition or status", s.Name)
		}
		delete(want, s.Name)
	}
	for name := range want {
		t.Errorf("no specification %s", name)
	}
}

func TestParse(t *testing.T) {
	l, err := Parse("season/limits.toml", []byte(`schema = 1
[[spec]]
name = "house"
document = "house rules"
status = "of our own"
integrated_lufs = { target = -18, tolerance = 0.5 }

[[expect]]
files = ["ep*.wav", "extra/trailer.wav"]
spec = "house"
true_peak_fine_dbtp = { max = -1 }
`))
	if err != nil {
		t.Fatal(err)
	}
	g := l.Groups[0]
	if got := g.Limits[0].Reading + " " + g.Limits[0].String() + " " + g.Limits[0].Source; got != "integrated_lufs -18.5 to -17.5 house" {
		t.Error(got)
	}
	if got := g.Limits[1]; *got.Max != -1 || got.Min != nil {
		t.Errorf("%+v", got)
	}
	for file, covered := range map[string]bool{
		"season/ep1.wav": true, "./season/../season/ep12.wav": true, "season/extra/trailer.wav": true,
		"ep1.wav": false, "extra/trailer.wav": false, "season/trailer.wav": false, "season/take.wav": false,
	} {
		if g.Covers(file) != covered {
			t.Errorf("%s: covered is %t", file, !covered)
		}
	}
}

// TestParseErrors: each fault is reported with its line, what was found and what
// to do.
func TestParseErrors(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"[[expect]]\ntrue_peak_dbtp = { max = -1 }", "1:1: schema: missing"},
		{"schema = 1", "expect: missing"},
		{"schema = 1\nexpect = []", "2:10: expect: an empty list"},
		{"schema = 1\n[[expect]]\ntrue_peak_dbtp = { target = 1e308, tolerance = 1e308 }", "too large to add"},
		{"schema = 1\n[[expect]]\nfiles = [\"*.wav\"]", "2:3: [[expect]]: no limit"},
		{"schema = 1\n[[expect]]\ntrue_peak = { max = -1 }", "3:1: true_peak: unknown key; did you mean true_peak_dbtp?"},
		{"schema = 1\n[[expect]]\ntrue_peak_dbtp = -1", "3:18: true_peak_dbtp: found the number -1; say which: { max = -1 } or { min = -1 }"},
		{"schema = 1\n[[expect]]\ntrue_peak_dbtp = { most = -1 }", "most: unknown key"},
		{"schema = 1\n[[expect]]\ntrue_peak_dbtp = { max = \"-1 dB\" }", "true_peak_dbtp.max: found the string"},
		{"schema = 1\n[[expect]]\ntrue_peak_dbtp = { min = 0, max = -1 }", "min 0 is above max -1"},
		{"schema = 1\n[[expect]]\ntrue_peak_dbtp = { target = -1 }", "no usable limit"},
		{"schema = 1\n[[expect]]\ntrue_peak_dbtp = { max = nan }", "found nan"},
		{"schema = 1\n[[expect]]\nfiles = []\ntrue_peak_dbtp = { max = -1 }", "3:9: files: an empty list"},
		{"schema = 1\n[[expect]]\ntrue_peak_dbtp = { max = -1, why = 3 }", "found the number 3"},
		{"schema = 1\n[[expect]]\nspec = \"ebu-r129\"", `no specification "ebu-r129"; did you mean "ebu-r128"?`},
		{"schema = 1\n[[expect]]\nfiles = [\"[\"]\ntrue_peak_dbtp = { max = -1 }", "3:10: files: the pattern"},
		{"schema = 1\n[[expect]]\nchain = \"a.toml\"\ntrue_peak_dbtp = { max = -1 }", "a reading of a file, in an [[expect]] of a chain"},
		{"schema = 1\n[[spec]]\nname = \"ebu-r128\"\ndocument = \"x\"\nstatus = \"x\"\ntrue_peak_dbtp = { max = -1 }\n[[expect]]\nspec = \"ebu-r128\"", "is also the name of another specification"},
		{"schema = 2", "newer than this program"},
	} {
		_, err := Parse("limits.toml", []byte(c.text))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q:\n%v\nwant %s", c.text, err, c.want)
		}
	}
}

// All the mistakes of a file are reported at once, also several in one limit and in
// tables of which nothing else is usable.
func TestParseReportsAllMistakes(t *testing.T) {
	_, err := Parse("limits.toml", []byte(`[[spec]]
name = "house"
[[expect]]
files = ["*.wav"]
[[expect]]
true_peek_dbtp = { max = -1 }
true_peak_dbtp = { max = nan, min = "x", most = 3 }
spec = "nowhere"
[[expect]]
residual_dbfs = { max = -90 }
`))
	for _, want := range []string{
		"1:1: schema: missing", "1:3: document: missing", "1:3: status: missing", "3:3: [[expect]]: no limit", "6:1: true_peek_dbtp: unknown key",
		"true_peak_dbtp.max: found nan", "true_peak_dbtp.min: found the string", "most: unknown key", `no specification "nowhere"`, "nothing to compare with",
	} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("no %q in\n%v", want, err)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte("schema = 1\n[[expect]]\nfiles = [\"*.wav\"]\nspec = \"ebu-r128\"\ntrue_peak_dbtp = { max = -1 }\n"))
	for spec := range bytes.SplitSeq(specsText, []byte("\n\n")) { // short texts: many a second
		f.Add(append([]byte("schema = 1\n"), spec...))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		if l, err := Parse("limits.toml", text); err == nil && len(l.Groups) == 0 {
			t.Error("no group, and no error")
		}
	})
}
