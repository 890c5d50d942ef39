package chain_test

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/dsp"
)

var update = flag.Bool("update", false, "rewrite REFERENCE.md, CEILING.md (four minutes) and testdata/broken.txt")

func ExampleParse() {
	_, err := chain.Parse("voice.toml", []byte(`schema = 1

[[stage]]
kind = "compressor"
treshold_dbfs = -18
ratio = 0.5
`))
	fmt.Println(err)
	// Output:
	// voice.toml: 2 problems
	// voice.toml:5:1: treshold_dbfs: unknown key; did you mean threshold_dbfs?
	//   accepted: kind, name, enabled, threshold_dbfs, ratio, knee_db, attack_ms, hold_ms, release_ms, makeup_db, lookahead_ms, detector, detector_window_ms, sidechain_highpass_hz, link_channels
	//   5 | treshold_dbfs = -18
	//     | ^^^^^^^^^^^^^
	// voice.toml:6:9: ratio: found 0.5; its inverse is 2
	//   accepted: 1 to 100
	//   6 | ratio = 0.5
	//     |         ^^^
}

func ExampleChain_Warnings() {
	c, err := chain.Parse("voice.toml", []byte(`schema = 1
[[stage]]
kind = "limiter"
[[stage]]
kind = "gain"
gain_db = 3
`))
	if err != nil {
		panic(err)
	}
	for _, w := range c.Warnings() {
		fmt.Println(w)
	}
	// Output:
	// voice.toml:6:11: stage 2 (gain): +3 dB after the limiter (stage 1) lifts its peaks over the ceiling; move it ahead of the limiter or raise the limiter's drive_db
	//   6 | gain_db = 3
	//     |           ^
}

func TestGoldenTexts(t *testing.T) {
	broken, err := os.ReadFile("testdata/broken.toml")
	if err != nil {
		t.Fatal(err)
	}
	_, fault := chain.Parse("broken.toml", broken)
	if fault == nil {
		t.Fatal("broken.toml is accepted")
	}
	for path, got := range map[string][]byte{
		"testdata/broken.txt": []byte(fault.Error() + "\n"),
		"REFERENCE.md":        chain.Reference(),
	} {
		if *update {
			if err := os.WriteFile(path, got, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s is out of date: go test ./chain -update, and look at what changed\n%s", path, firstDifference(got, want))
		}
	}
}

func firstDifference(got, want []byte) string {
	g, w := strings.Split(string(got), "\n"), strings.Split(string(want), "\n")
	for i := range g {
		if i >= len(w) || g[i] != w[i] {
			return fmt.Sprintf("line %d: %s", i+1, g[i])
		}
	}
	return "shorter"
}

// stage wraps lines in a file whose first stage starts in line 2.
func stage(lines ...string) string {
	return "schema = 1\n[[stage]]\n" + strings.Join(lines, "\n") + "\n"
}

func TestProblems(t *testing.T) {
	limiter := `kind = "limiter"`
	for _, test := range []struct {
		name, text string
		want       []string // the start of each problem, in order; all of them
	}{
		{"no schema", "[[stage]]\n" + limiter, []string{"x.toml:1:1: schema: missing"}},
		{"empty file", "", []string{"x.toml:1:1: schema: missing"}},
		{"newer schema", "schema = 2", []string{"x.toml:1:10: schema: found 2, newer than this program"}},
		{"older schema", "schema = 0", []string{"x.toml:1:10: schema: found the number 0"}},
		{"schema a float", "schema = 1.0", []string{"x.toml:1:10: schema: found the number 1.0"}},
		{"unknown top key", "schema = 1\nnmae = \"a\"", []string{"x.toml:2:1: nmae: unknown key; did you mean name?"}},
		{"stage key at top", "schema = 1\nratio = 2", []string{"x.toml:2:1: ratio: not a key of the top of the file; it belongs to expander, compressor, de-esser"}},
		{"name not a string", "schema = 1\nname = 3", []string{"x.toml:2:8: name: found the number 3"}},
		{"no kind", stage("ratio = 2"), []string{"x.toml:2:3: kind: missing"}},
		{"unknown kind", stage(`kind = "compresor"`), []string{`x.toml:3:8: kind: unknown kind "compresor"; did you mean "compressor"?`}},
		{"kind in another spelling", stage(`kind = "de_esser"`), []string{`x.toml:3:8: kind: unknown kind "de_esser"; did you mean "de-esser"?`}},
		{"kind not a string", stage("kind = 3"), []string{"x.toml:3:8: kind: found the number 3"}},
		{"unknown key of an unknown kind", stage(`kind = "x"`, "retio = 3", "ratio = 2"), []string{`x.toml:3:8: kind: unknown kind "x"`, "x.toml:4:1: retio: unknown key; did you mean ratio?"}},
		{"mistyped key", stage(limiter, "ceilin_dbtp = -1"), []string{"x.toml:4:1: ceilin_dbtp: unknown key; did you mean ceiling_dbtp?"}},
		{"key without unit", stage(limiter, "ceiling = -1"), []string{"x.toml:4:1: ceiling: unknown key; did you mean ceiling_dbtp?"}},
		{"key with another unit", stage(limiter, "lookahead_s = 1"), []string{"x.toml:4:1: lookahead_s: unknown key; did you mean lookahead_ms?"}},
		{"key by another name", stage(`kind = "highpass"`, "frequency_hz = 90"), []string{"x.toml:4:1: frequency_hz: unknown key; did you mean corner_hz?"}},
		{"key in capitals", stage(limiter, "Ceiling_dBTP = -1"), []string{"x.toml:4:1: Ceiling_dBTP: unknown key; keys are written in lower case: ceiling_dbtp"}},
		{"key of another kind", stage(limiter, "knee_db = 3"), []string{"x.toml:4:1: knee_db: not a key of a limiter; it belongs to expander, compressor"}},
		{"key of a band", stage(limiter, "shape = \"bell\""), []string{"x.toml:4:1: shape: not a key of a limiter; it belongs to [[stage.band]] of equaliser"}},
		{"quoted key", stage(limiter, `"a b" = 1`), []string{`x.toml:4:1: "a b": unknown key`}},
		{"dotted key", stage(limiter, "ceiling.dbtp = 1"), []string{"x.toml:4:1: ceiling: unknown key"}},
		{"given twice", stage(limiter, "drive_db = 1", "drive_db = 2"), []string{"x.toml:5:1: drive_db: given twice; it is on line 4 already"}},
		{"schema twice", "schema = 1\nschema = 1", []string{"x.toml:2:1: schema: given twice; it is on line 1 already"}},
		{"missing required key", stage(`kind = "compressor"`), []string{"x.toml:2:3: threshold_dbfs: missing; a compressor needs it"}},
		{"both of a pair", stage(`kind = "de-esser"`, "threshold_dbfs = -30", `relative_db = -6`), []string{`x.toml:5:1: relative_db: given together with threshold_dbfs; remove one of the two`}},
		{"both of a pair, the other way round", stage(`kind = "de-esser"`, `relative_db = -6`, "threshold_dbfs = -30"), []string{`x.toml:5:1: threshold_dbfs: given together with relative_db; remove one of the two`}},
		{"former key of a limiter", stage(limiter, `release_style = "clean"`), []string{`x.toml:4:1: release_style: no longer a key of a limiter; write recovery: "slow" for "clean", "medium" for "balanced", "fast" for "loud"`}},
		{"former key of a de-esser", stage(`kind = "de-esser"`, `mode = "absolute"`, "threshold_dbfs = -30"), []string{`x.toml:4:1: mode: no longer a key of a de-esser; write threshold_dbfs for a fixed level, or relative_db for one relative to the whole signal`}},
		{"a gate", stage(`kind = "gate"`), []string{`x.toml:3:8: kind: unknown kind "gate"; did you mean "expander"?`}},
		{"an EQ", stage(`kind = "EQ"`), []string{`x.toml:3:8: kind: unknown kind "EQ"; did you mean "equaliser"?`}},
		{"a high-pass with a hyphen", stage(`kind = "high-pass"`), []string{`x.toml:3:8: kind: unknown kind "high-pass"; did you mean "highpass"?`}},
		{"too low", stage(limiter, "ceiling_dbtp = -60.5"), []string{"x.toml:4:16: ceiling_dbtp: found -60.5\n  accepted: -60 to 0 dBTP"}},
		{"too high", stage(limiter, "ceiling_dbtp = 0.1"), []string{"x.toml:4:16: ceiling_dbtp: found 0.1; did you mean ceiling_dbtp = -0.1?\n"}},
		{"nan", stage(limiter, "ceiling_dbtp = nan"), []string{"x.toml:4:16: ceiling_dbtp: found nan\n"}},
		{"infinite", stage(limiter, "ceiling_dbtp = -inf"), []string{"x.toml:4:16: ceiling_dbtp: found -inf\n"}},
		{"beyond floating point", stage(limiter, "ceiling_dbtp = -1e999"), []string{"x.toml:4:16: ceiling_dbtp: found -1e999\n"}},
		{"beyond 64 bits", stage(limiter, "drive_db = 99999999999999999999"), []string{"x.toml:4:12: drive_db: found 99999999999999999999\n"}},
		{"between the steps", stage(`kind = "highpass"`, "slope_db_per_octave = 15"), []string{"x.toml:4:23: slope_db_per_octave: found 15\n  accepted: 6 to 48 dB/oct, in steps of 6"}},
		{"ratio the other way up", stage(`kind = "compressor"`, "threshold_dbfs = -20", "ratio = 0.25"), []string{"x.toml:5:9: ratio: found 0.25; its inverse is 4"}},
		{"sign forgotten", stage(`kind = "compressor"`, "threshold_dbfs = 18"), []string{"x.toml:4:18: threshold_dbfs: found 18; did you mean threshold_dbfs = -18?"}},
		{"number in quotes", stage(limiter, `drive_db = "6"`), []string{`x.toml:4:12: drive_db: found the string "6"; write the number without quotes and unit: drive_db = 6`}},
		{"number with unit in quotes", stage(`kind = "compressor"`, `threshold_dbfs = "-18 dBFS"`), []string{`x.toml:4:18: threshold_dbfs: found the string "-18 dBFS"; write the number without quotes and unit: threshold_dbfs = -18`}},
		{"another unit in quotes", stage(`kind = "compressor"`, `threshold_dbfs = "4 dBu"`), []string{`x.toml:4:18: threshold_dbfs: found the string "4 dBu"; the value is in dBFS, not in dBu`}},
		{"per cent", stage(`kind = "compressor"`, `threshold_dbfs = "20%"`), []string{`x.toml:4:18: threshold_dbfs: found the string "20%"; the value is in dBFS, not in %`}},
		{"number for a word", stage(limiter, "recovery = 2"), []string{"x.toml:4:12: recovery: found the number 2"}},
		{"word unknown", stage(limiter, `recovery = "Slow"`), []string{`x.toml:4:12: recovery: found "Slow"; did you mean "slow"?`}},
		{"word for a truth", stage(limiter, `link_channels = "true"`), []string{`x.toml:4:17: link_channels: found the string "true"`}},
		{"date for a number", stage(limiter, "drive_db = 2026-11-25"), []string{"x.toml:4:12: drive_db: found the date or time 2026-11-25"}},
		{"list for a number", stage(limiter, "drive_db = [1]"), []string{"x.toml:4:12: drive_db: found a list"}},
		{"table for a number", stage(limiter, "drive_db = {a = 1}"), []string{"x.toml:4:12: drive_db: found a table"}},
		{"enabled a number", stage(limiter, "enabled = 1"), []string{"x.toml:4:11: enabled: found the number 1"}},
		{"channel for a list", stage(`kind = "polarity"`, "channels = 2"), []string{"x.toml:4:12: channels: found the number 2; write [2]"}},
		{"channel 0", stage(`kind = "polarity"`, "channels = [0]"), []string{"x.toml:4:13: channels: found channel 0"}},
		{"channel twice", stage(`kind = "polarity"`, "channels = [2, 1, 2]"), []string{"x.toml:4:19: channels: channel 2 twice"}},
		{"channel a float", stage(`kind = "polarity"`, "channels = [1.0]"), []string{"x.toml:4:13: channels: found the number 1.0"}},
		{"key band upside down", stage(`kind = "de-esser"`, "key_low_hz = 9000", "key_high_hz = 6000"), []string{"x.toml:5:15: key_high_hz: found 6000 Hz\n  accepted: more than key_low_hz, which is 9000 Hz"}},
		{"no bands", stage(`kind = "equaliser"`), []string{"x.toml:2:3: band: an equaliser without bands"}},
		{"notch with gain", stage(`kind = "equaliser"`, "[[stage.band]]", `shape = "notch"`, "centre_hz = 50", "gain_db = -6"), []string{`x.toml:7:1: gain_db: not used with shape = "notch"`}},
		{"band lacks its centre", stage(`kind = "equaliser"`, "[[stage.band]]", `shape = "bell"`, "gain_db = -6"), []string{"x.toml:4:3: centre_hz: missing; a band needs it"}},
		{"band of another kind", stage(limiter, "[[stage.band]]", `shape = "bell"`), []string{"x.toml:4:3: band: not a key of a limiter; it belongs to equaliser"}},
		{"band before any stage", "schema = 1\n[[stage.band]]\nq = 1", []string{"x.toml:2:3: stage: no [[stage]] line before this"}},
		{"single brackets", "schema = 1\n[stage]\n" + limiter, []string{"x.toml:2:2: [stage]: single brackets"}},
		{"stage a number", "schema = 1\nstage = 3", []string{"x.toml:2:9: stage: found the number 3"}},
		{"adding to a finished list", "schema = 1\nstage = [{kind = \"limiter\"}]\n[[stage]]\n" + limiter, []string{"x.toml:3:3: not TOML: "}},
		{"names twice", stage(limiter, `name = "a"`, "[[stage]]", limiter, `name = "a"`), []string{`x.toml:7:8: name: "a" is also the name of stage 1; give each stage a different name`}},
		{"name taken by default", stage(limiter, `name = "limiter 2"`, "[[stage]]", limiter), []string{`x.toml:5:3: name: "limiter 2" is also the name of stage 1; give each stage a different name`}},
		{"too many stages", "schema = 1\n" + strings.Repeat("[[stage]]\n"+limiter+"\n", 65), []string{"x.toml:130:3: stage: 65 stages\n  accepted: up to 64"}},

		{"decimal comma", stage(limiter, "drive_db = 1,5"), []string{"x.toml:4:13: drive_db: found 1,5; write the decimal point as a point: 1.5"}},
		{"unicode minus", stage(limiter, "ceiling_dbtp = −1"), []string{"x.toml:4:16: ceiling_dbtp: a dash that is not the minus sign of the keyboard; type -"}},
		{"typographic quotes", stage("kind = “limiter”"), []string{`x.toml:3:8: kind: typographic quotation marks; use straight ones: "…"`}},
		{"word without quotes", stage("kind = limiter"), []string{`x.toml:3:8: kind: found limiter; put words in quotes: "limiter"`}},
		{"unit after the number", stage(limiter, "drive_db = 3 dB"), []string{"x.toml:4:14: drive_db: found 3 dB; write the number alone, the unit is in the key"}},
		{"colon for equals", stage(limiter, "drive_db: 3"), []string{"x.toml:4:9: not TOML: expected '=' after key; write = between key and value"}},
		{"no value", stage(limiter, "drive_db ="), []string{"x.toml:4:11: drive_db: no value"}},
		{"quote not closed", stage(`kind = "limiter`), []string{"x.toml:3:16: kind: not TOML: basic strings cannot have new lines"}},
		{"header not closed", "schema = 1\n[[stage]\nkind = 1\nkind = 2\n[[stage]]\n" + limiter, []string{"x.toml:2:8: not TOML: expected ']]' to close array table name"}},
		{"prose", "schema = 1\nthis is no chain", []string{"x.toml:2:6: not TOML: expected '=' after key"}},
		{"column in characters", stage(`name = "Ä“”é"; x`, limiter), []string{"x.toml:3:14: name: "}},
		{"UTF-16", "\xff\xfes\x00", []string{"x.toml: UTF-16 text; save the file as UTF-8"}},
		{"binary", "RIFF\x00\x00", []string{"x.toml: not a text file"}},
		{"not UTF-8", "schema = 1 # \xff", []string{"x.toml:1:14: schema: a byte that is not UTF-8; save the file as UTF-8"}},
		{"too large", strings.Repeat(" ", 1<<20+1), []string{"x.toml: larger than a chain file may be\n  accepted: up to 1048576 bytes"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			c, err := chain.Parse("x.toml", []byte(test.text))
			var file *tomlfile.FileError
			if !errors.As(err, &file) {
				t.Fatalf("got %v, want a *FileError", err)
			}
			if c != nil {
				t.Error("a chain beside an error")
			}
			if len(file.Problems) != len(test.want) {
				t.Errorf("%d problems, want %d:\n%v", len(file.Problems), len(test.want), err)
			}
			for i, want := range test.want {
				if i < len(file.Problems) && !strings.HasPrefix(file.Problems[i].Error(), want) {
					t.Errorf("got  %s\nwant %s", file.Problems[i].Error(), want)
				}
			}
		})
	}
}

func TestParse(t *testing.T) {
	c, err := chain.Parse("x.toml", []byte(`# comment
schema = 1
name = "Narrator"
notes = """
two
lines"""

[[stage]]
kind = "compressor"
threshold_dbfs = -22   # a bare integer is a number
ratio = 4.5
link_channels = false

[[stage]]
kind = "equaliser"
name = "tone"
enabled = false
  [[stage.band]]
  shape = "low-shelf"
  centre_hz = 1_00
  gain_db = -3e0
  [[stage.band]]
  shape = "notch"
  centre_hz = 50
  q = 12

[[stage]]
kind = "delay"
delay_ms = 2
channels = [
  2,
]
`))
	if err != nil {
		t.Fatal(err)
	}
	if c.Name != "Narrator" || c.Notes != "two\nlines" || c.Path != "x.toml" || len(c.Text) == 0 {
		t.Errorf("got %q, %q, %q", c.Name, c.Notes, c.Path)
	}
	type plain struct {
		kind, name string
		enabled    bool
		line       int
		settings   any
	}
	want := []plain{
		{"compressor", "compressor", true, 8, dsp.CompressorSettings{ThresholdDBFS: -22, Ratio: 4.5, KneeDB: 6, AttackMs: 5, ReleaseMs: 100,
			Detector: dsp.Peak, DetectorWindowMs: 10}},
		{"equaliser", "tone", false, 14, dsp.EqualiserSettings{Bands: []dsp.Band{
			{Shape: dsp.LowShelf, CentreHz: 100, GainDB: -3, Q: 0.7071}, {Shape: dsp.Notch, CentreHz: 50, Q: 12}}}},
		{"delay", "delay", true, 27, dsp.DelaySettings{DelayMs: 2, Channels: []int{2}}},
	}
	if len(c.Stages) != len(want) {
		t.Fatalf("%d stages, want %d", len(c.Stages), len(want))
	}
	for i, s := range c.Stages {
		if got := (plain{s.Kind, s.Name, s.Enabled, s.Line, s.Settings}); !reflect.DeepEqual(got, want[i]) {
			t.Errorf("stage %d:\ngot  %+v\nwant %+v", i+1, got, want[i])
		}
	}
}

func TestInlineTablesMeanTheSame(t *testing.T) {
	a, err := chain.Parse("a", []byte(`schema = 1
stage = [ { kind = "equaliser", band = [ { shape = "bell", centre_hz = 1000, gain_db = 2 } ] } ]`))
	if err != nil {
		t.Fatal(err)
	}
	b, err := chain.Parse("b", []byte(stage(`kind = "equaliser"`, "[[stage.band]]", `shape = "bell"`, "centre_hz = 1000", "gain_db = 2")))
	if err != nil {
		t.Fatal(err)
	}
	sameStages(t, a, b)
}

func sameStages(t interface{ Errorf(string, ...any) }, a, b *chain.Chain) {
	if len(a.Stages) != len(b.Stages) || a.Name != b.Name || a.Notes != b.Notes {
		t.Errorf("%d stages of %q, %q and %d of %q, %q", len(a.Stages), a.Name, a.Notes, len(b.Stages), b.Name, b.Notes)
		return
	}
	for i, s := range a.Stages {
		o := b.Stages[i]
		if s.Kind != o.Kind || s.Name != o.Name || s.Enabled != o.Enabled || !reflect.DeepEqual(s.Settings, o.Settings) {
			t.Errorf("stage %d: %+v and %+v", i+1, s, o)
		}
	}
}

func TestByteOrderMarkAndLineEndsDoNotMatter(t *testing.T) {
	plain := stage(`kind = "limiter"`, "ceiling_dbtp = -2")
	want, err := chain.Parse("x", []byte(plain))
	if err != nil {
		t.Fatal(err)
	}
	windows := "\uFEFF" + strings.ReplaceAll(plain, "\n", "\r\n")
	got, err := chain.Parse("x", []byte(windows))
	if err != nil {
		t.Fatal(err)
	}
	sameStages(t, got, want)
	// The first column stays the first one, and no carriage return is shown.
	_, err = chain.Parse("x", []byte("\uFEFFschem = 1\r\n"))
	if err == nil || !strings.Contains(err.Error(), "x:1:1: schem: unknown key; did you mean schema?") || strings.Contains(err.Error(), "\r") {
		t.Errorf("got %v", err)
	}
}

func TestLoad(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "voice.toml")
	if err := os.WriteFile(path, chain.Starter(), 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := chain.Load(path)
	if err != nil || c.Path != path || len(c.Stages) != 6 {
		t.Errorf("got %+v, %v", c, err)
	}
	var file *tomlfile.FileError
	if _, err := chain.Load(filepath.Join(folder, "none.toml")); !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), "none.toml") {
		t.Errorf("missing file: %v", err)
	}
	if _, err := chain.Load(folder); err == nil || errors.As(err, &file) {
		t.Errorf("folder: %v", err)
	}
	if err := os.WriteFile(path, bytes.Repeat([]byte("#\n"), 1<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := chain.Load(path); !errors.As(err, &file) {
		t.Errorf("large file: %v", err)
	}
}

func TestManyProblemsAreBounded(t *testing.T) {
	text := "schema = 1\n"
	for i := range 5000 {
		text += fmt.Sprintf("x%d = 1\n", i)
	}
	_, err := chain.Parse("x", []byte(text))
	var file *tomlfile.FileError
	if !errors.As(err, &file) || len(file.Problems) > 101 {
		t.Fatalf("%d problems", len(file.Problems))
	}
	if last := file.Problems[100].Error(); !strings.Contains(last, "more problem") {
		t.Errorf("the last one says %s", last)
	}
}

// A rate or a number of channels that no chain works at is no fault of the file.
func TestCheckFormat(t *testing.T) {
	c, err := chain.Parse("x.toml", []byte(stage(`kind = "polarity"`)))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range [][2]int{{0, 1}, {10, 1}, {48000, 0}, {48000, 65}} {
		file := (*tomlfile.FileError)(nil)
		if err := c.Check(f[0], f[1]); err == nil || errors.As(err, &file) || !strings.Contains(err.Error(), "accepted: 1 to 64 channels at 1000 to 768000 Hz") {
			t.Errorf("%v: %v", f, err)
		}
	}
}

func TestCheck(t *testing.T) {
	for _, test := range []struct {
		name, text     string
		rate, channels int
		want           []string
	}{
		{"corner at Nyquist", stage(`kind = "highpass"`, "corner_hz = 4000"), 8000, 1,
			[]string{"x.toml:4:13: corner_hz: found 4000 Hz, not below 4000 Hz, the Nyquist frequency of this sound"}},
		{"corner below Nyquist", stage(`kind = "highpass"`, "corner_hz = 3999"), 8000, 1, nil},
		{"second band", stage(`kind = "equaliser"`, "[[stage.band]]", `shape = "bell"`, "centre_hz = 1000", "gain_db = 1",
			"[[stage.band]]", `shape = "bell"`, "gain_db = 1", "centre_hz = 23000"), 44100, 1,
			[]string{"x.toml:11:13: centre_hz: found 23000 Hz, not below 22050 Hz"}},
		{"a default", stage(`kind = "de-esser"`), 16000, 1,
			[]string{"x.toml:2:3: key_high_hz: left at its default, 9000 Hz, not below 8000 Hz"}},
		{"channels", stage(`kind = "gain"`, "gain_db = 1", "channels = [1, 3]"), 48000, 2,
			[]string{"x.toml:5:12: channels: found channel 3\n  accepted: 1 to 2, the channels of this sound"}},
		{"disabled stages are not checked", stage(`kind = "highpass"`, "corner_hz = 4000", "enabled = false"), 8000, 1, nil},
		{"all stages at once", stage(`kind = "highpass"`, "corner_hz = 5000", "[[stage]]", `kind = "polarity"`, "channels = [9]"), 8000, 1,
			[]string{"x.toml:4:13: corner_hz", "x.toml:7:12: channels"}},
		{"a constructor's own refusal", stage(`kind = "limiter"`, "lookahead_ms = 0.5"), 8000, 1, []string{"x.toml:4:16: lookahead_ms: found 0.5 ms"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			c, err := chain.Parse("x.toml", []byte(test.text))
			if err != nil {
				t.Fatal(err)
			}
			err = c.Check(test.rate, test.channels)
			var file *tomlfile.FileError
			if err != nil && !errors.As(err, &file) {
				t.Fatal(err)
			}
			got := []tomlfile.Problem{}
			if file != nil {
				got = file.Problems
			}
			if len(got) != len(test.want) {
				t.Fatalf("got %v, want %q", err, test.want)
			}
			for i, want := range test.want {
				if !strings.HasPrefix(got[i].Error(), want) {
					t.Errorf("got  %s\nwant %s", got[i].Error(), want)
				}
			}
		})
	}
}

// A chain that was put together in a program has no file to point into.
func TestCheckWithoutAFile(t *testing.T) {
	c := chain.Chain{Stages: []chain.Stage{{Kind: "highpass", Enabled: true, Settings: dsp.HighPassSettings{CornerHz: 9000, SlopeDBPerOctave: 12}}}}
	err := c.Check(16000, 1)
	if err == nil || !strings.HasPrefix(err.Error(), "stage 1 (highpass): corner_hz: ") || !strings.Contains(err.Error(), "8000 Hz") {
		t.Errorf("got %v", err)
	}
}

func TestStarterChainIsValidAndReadable(t *testing.T) {
	c, err := chain.Parse("starter.toml", chain.Starter())
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range c.Warnings() {
		t.Error(w)
	}
	for _, rate := range []int{8000, 11025, 12000, 16000, 22050, 44100, 48000, 96000, 192000, 768000} {
		e, err := c.Prepare(rate, 2)
		if err != nil {
			t.Errorf("at %d Hz: %v", rate, err)
			continue
		}
		var notes []string
		for _, n := range e.Notes() {
			notes = append(notes, n.Error())
		}
		want := ""
		if rate <= 16000 { // the shelf at 8 kHz
			want = fmt.Sprintf("starter.toml: equaliser: band 2, at 8000 Hz, is left out: this sound, at %d Hz, holds what is below %g Hz", rate, float64(rate)/2)
		}
		if got := strings.Join(notes, "\n"); got != want {
			t.Errorf("at %d Hz: notes %q, want %q", rate, got, want)
		}
	}
	var kinds []string
	for _, s := range c.Stages {
		if kinds = append(kinds, s.Kind); s.Enabled == (s.Kind == "de-esser") {
			t.Errorf("%s: enabled is %v", s.Kind, s.Enabled)
		}
	}
	if got := strings.Join(kinds, " "); got != "highpass expander compressor equaliser de-esser limiter" {
		t.Error(got)
	}
	for i, line := range strings.Split(string(chain.Starter()), "\n") {
		if n := utf8.RuneCountInString(line); n > 80 {
			t.Errorf("line %d is %d columns wide", i+1, n)
		}
	}
}

func TestDemoChain(t *testing.T) {
	c, err := chain.Load("../testdata/harbour-street.toml")
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range c.Warnings() {
		t.Error(w)
	}
	if err := c.Check(48000, 1); err != nil {
		t.Error(err)
	}
}

// drawChain makes a chain from the tables, at the edges of ranges and inside.
func drawChain(t *rapid.T) *chain.Chain {
	c := &chain.Chain{Name: rapid.String().Draw(t, "name"), Notes: rapid.String().Draw(t, "notes")}
	text := "schema = 1\n"
	kinds := chain.Kinds()
	for range rapid.IntRange(0, 6).Draw(t, "stages") {
		k := kinds[rapid.IntRange(0, len(kinds)-1).Draw(t, "kind")]
		text += "[[stage]]\nkind = \"" + k.Name + "\"\n"
		text += fmt.Sprintf("enabled = %v\n", rapid.Bool().Draw(t, "enabled"))
		text += drawFields(t, k.Fields)
		if k.Bands != nil {
			for range rapid.IntRange(1, 3).Draw(t, "bands") {
				text += "[[stage.band]]\n" + drawFields(t, k.Bands)
			}
		}
	}
	parsed, err := chain.Parse("drawn", []byte(text))
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	c.Stages = parsed.Stages
	return c
}

func drawFields(t *rapid.T, fields []chain.Field) string {
	text := ""
	words := map[string]string{}
	for _, f := range fields {
		if f.Type == chain.Word {
			words[f.Key] = rapid.SampledFrom(f.Words).Draw(t, f.Key)
			text += fmt.Sprintf("%s = %q\n", f.Key, words[f.Key])
		}
	}
	for _, f := range fields {
		applies := f.When == nil
		for i := 0; f.When != nil && i < len(f.When.Words); i++ {
			applies = applies || words[f.When.Key] == f.When.Words[i]
		}
		if !applies || strings.Contains("\n"+text, "\n"+f.Instead+" = ") || (f.Default != "" || f.Instead != "") && rapid.Bool().Draw(t, "left out") {
			continue
		}
		switch f.Type {
		case chain.Number:
			lo, hi := f.Min, f.Max
			if f.Key == "key_low_hz" { // below its partner
				hi = 4000
			} else if f.Key == "key_high_hz" {
				lo = 6000
			}
			text += fmt.Sprintf("%s = %g\n", f.Key, rapid.Float64Range(lo, hi).Draw(t, f.Key))
		case chain.WholeNumber:
			steps := int((f.Max - f.Min) / f.Step)
			text += fmt.Sprintf("%s = %d\n", f.Key, int(f.Min+f.Step*float64(rapid.IntRange(0, steps).Draw(t, f.Key))))
		case chain.TrueOrFalse:
			text += fmt.Sprintf("%s = %v\n", f.Key, rapid.Bool().Draw(t, f.Key))
		case chain.ChannelList:
			text += fmt.Sprintf("%s = [%d]\n", f.Key, rapid.IntRange(1, 64).Draw(t, f.Key))
		}
	}
	return text
}

func TestFormatRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawChain(t)
		for _, comments := range []bool{false, true} {
			text, err := c.Format(comments)
			if err != nil {
				t.Fatal(err)
			}
			back, err := chain.Parse("formatted", text)
			if err != nil {
				t.Fatalf("%v\n%s", err, text)
			}
			sameStages(t, c, back)
		}
	})
}

// FuzzParse is slow only where the fuzzer minimises what it finds, for a minute each
// time by default, in which it counts no executions: give it -fuzzminimizetime 20x, as
// .ci/run does. Comments are left out of what is written and of the starter chain, since
// they are most of the work and do not depend on the input.
func FuzzParse(f *testing.F) {
	broken, err := os.ReadFile("testdata/broken.toml")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(broken)
	starter, err := chain.Parse("starter", chain.Starter())
	if err != nil {
		f.Fatal(err)
	}
	plain, err := starter.Format(false)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(plain)
	f.Add([]byte("schema = 1\nstage = [{kind='gain',gain_db=1}]\n"))
	f.Add([]byte("schema=1\n[[stage]]\nkind=\"gain\"\ngain_db=0x1\nchannels=[1,\n2]#\n[[stage.band]]\na.b=1979-05-27"))
	f.Fuzz(func(t *testing.T, text []byte) {
		c, err := chain.Parse("fuzz", text)
		if err != nil {
			var file *tomlfile.FileError
			if !errors.As(err, &file) || len(file.Problems) == 0 {
				t.Fatalf("%T %v", err, err)
			}
			lines := bytes.Count(text, []byte("\n")) + 1
			for _, p := range file.Problems {
				if p.Line < 0 || p.Line > lines || p.Line > 0 && p.Column < 1 {
					t.Errorf("%d:%d in a file of %d lines: %v", p.Line, p.Column, lines, p)
				}
			}
			return
		}
		c.Warnings()
		again, err := c.Format(false)
		if err != nil {
			t.Fatal(err)
		}
		back, err := chain.Parse("formatted", again)
		if err != nil {
			t.Fatalf("%v\n%s", err, again)
		}
		sameStages(t, c, back)
	})
}
