package expect

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

func writeWAV(t *testing.T, path string, b dsp.Block) {
	t.Helper()
	w, err := wave.Create(path, wave.Unquantised(48000, len(b)), wave.Options{Replace: true})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(b); err != nil {
		t.Fatal(err)
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
}

func changedBy(b dsp.Block, change func(n int, x float64) float64) dsp.Block {
	out := dsp.NewBlock(len(b), b.Frames())
	for c := range b {
		for n, x := range b[c] {
			out[c][n] = change(n, x)
		}
	}
	return out
}

// A baseline says what has changed, where and by how much; the figures are those of
// the change that was made.
func TestBaseline(t *testing.T) {
	if testing.Short() {
		t.Skip("long")
	}
	dir, file := t.TempDir(), filepath.Join(t.TempDir(), "ep1.wav")
	voice := dsptest.Speechlike(48000, 2, 8*48000, 3)
	writeWAV(t, file, voice)
	if _, err := RecordBaseline(t.Context(), dir, file, "", time.Now()); err == nil {
		t.Error("a baseline without a reason is taken")
	}
	if _, err := RecordBaseline(t.Context(), dir, file, "first", time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)); err != nil {
		t.Fatal(err)
	}
	l := AgainstBaselines(dir)
	if c := l.CheckFile(t.Context(), file); !c.Passed() || len(c.Judgements) != len(BaselineLimits()) {
		t.Errorf("unchanged: %+v", c)
	}
	bell := changedBy(voice, func(_ int, x float64) float64 { return x })
	dsp.NewCascade([]dsp.Biquad{dsp.CookbookBell(1000, 3, 1, 48000)}, 2).Process(bell)
	late := dsp.Block{}
	for c := range voice {
		late = append(late, append(make([]float64, 7), voice[c][:voice.Frames()-7]...))
	}
	middle := 4 * 48000
	for _, c := range []struct {
		name, reading string
		sound         dsp.Block
		want, off     float64
	}{
		{"1 dB down", "integrated_change_lu", changedBy(voice, func(_ int, x float64) float64 { return x * dsp.DBToAmplitude(-1) }), -1, 0.001},
		{"1 dB down", "excerpt_gain_db", changedBy(voice, func(_ int, x float64) float64 { return x * dsp.DBToAmplitude(-1) }), -1, 0.001},
		{"a bell of 3 dB", "spectrum_change_db", bell, 3, 0.3}, // the mean over a third of an octave
		{"7 frames later", "excerpt_delay_frames", late, 7, 0},
		{"shorter", "frames_change", dsp.Block{voice[0][:380000], voice[1][:380000]}, -4000, 0},
	} {
		writeWAV(t, file, c.sound)
		b, err := LoadBaseline(dir, file)
		if err != nil {
			t.Fatal(err)
		}
		r, err := b.Against(t.Context(), File(file))
		if err != nil {
			t.Fatal(err)
		}
		got, _ := r.Get(c.reading)
		if !got.Measurable() || math.Abs(got.Value-c.want) > c.off {
			t.Errorf("%s: %s is %v, want %g ± %g", c.name, c.reading, got, c.want, c.off)
		}
		if same, _ := r.Get("same_samples"); same.Value != 0 {
			t.Errorf("%s: the samples are the same", c.name)
		}
		if checked := l.CheckFile(t.Context(), file); checked.Passed() {
			t.Errorf("%s passes", c.name)
		}
	}
	// 40 ms that are 20 dB down are told with their time.
	writeWAV(t, file, changedBy(voice, func(n int, x float64) float64 {
		if n >= middle && n < middle+1920 {
			return x / 10
		}
		return x
	}))
	b, _ := LoadBaseline(dir, file)
	r, err := b.Against(t.Context(), File(file))
	if err != nil {
		t.Fatal(err)
	}
	if got, _ := r.Get("level_change_db"); math.Abs(got.Value+20) > 0.01 || got.Frame < int64(middle) || got.Frame >= int64(middle)+1920 {
		t.Errorf("level_change_db is %v at frame %d, want -20 at %d", got, got.Frame, middle)
	}
	// Recorded again, it passes, and both reasons stay.
	if _, err := RecordBaseline(t.Context(), dir, file, "a quieter word", time.Now()); err != nil {
		t.Fatal(err)
	}
	if c := l.CheckFile(t.Context(), file); !c.Passed() {
		t.Errorf("recorded again: %+v", c)
	}
	if b, _ = LoadBaseline(dir, file); len(b.History) != 2 || b.History[0].Why != "first" || b.History[0].Date != "2026-11-25" {
		t.Errorf("%+v", b.History)
	}
}

func TestBaselineRefuses(t *testing.T) {
	dir, file := t.TempDir(), filepath.Join(t.TempDir(), "ep1.wav")
	writeWAV(t, file, dsp.Block{make([]float64, 100)})
	if c := AgainstBaselines(dir).CheckFile(t.Context(), file); c.Err == nil || !strings.Contains(c.Err.Error(), "record one with check --record") {
		t.Error(c.Err)
	}
	for text, says := range map[string]string{"{": "ep1.wav.json", `{"schema_version":7}`: "found schema_version 7, accepted: 1", `{"schema_version":1}`: "no baseline as check --record writes it"} {
		if err := os.WriteFile(baselinePath(dir, file), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		if _, err := LoadBaseline(dir, file); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v, want %s", text, err, says)
		}
	}
	// Silence and sounds too short for loudness have baselines too.
	os.Remove(baselinePath(dir, file))
	if _, err := RecordBaseline(t.Context(), dir, file, "short", time.Now()); err != nil {
		t.Fatal(err)
	}
	b, err := LoadBaseline(dir, file)
	if err != nil {
		t.Fatal(err)
	}
	r, err := b.Against(t.Context(), File(file))
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range BaselineLimits() {
		if j := measure.Judge("x", 48000, r, l); j.Verdict != measure.Pass {
			t.Error(j)
		}
	}
}
