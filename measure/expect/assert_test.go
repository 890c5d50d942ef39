package expect

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
)

// recorded is a test that notes what an assertion does to it.
type recorded struct {
	testing.TB
	dir    string
	errors []string
}

func (r *recorded) Context() context.Context { return context.Background() }
func (r *recorded) Helper()                  {}
func (r *recorded) Log(...any)               {}
func (r *recorded) Logf(string, ...any)      {}
func (r *recorded) ArtifactDir() string      { return r.dir }
func (r *recorded) Error(args ...any)        { r.errors = append(r.errors, fmt.Sprint(args...)) }
func (r *recorded) Errorf(format string, args ...any) {
	r.errors = append(r.errors, fmt.Sprintf(format, args...))
}

func held(t *testing.T, assert func(t testing.TB)) *recorded {
	r := &recorded{dir: t.TempDir()}
	assert(r)
	return r
}

func TestComparingAssertions(t *testing.T) {
	voice := dsptest.Speechlike(48000, 1, 3*48000, 1)
	late := dsp.Block{append(make([]float64, 12), voice[0]...)}
	changed := dsp.Block{append([]float64(nil), voice[0]...)}
	changed[0][50000] += 0.001
	want := Planes(48000, voice)
	for _, c := range dsptest.Some(5, []struct {
		name   string
		assert func(t testing.TB)
		says   string // "": nothing
	}{
		{"null of a changed one", func(t testing.TB) { Null(t, Planes(48000, changed), want, -120) }, "the planes: residual_dbfs is -111.58 dBFS-rms, limit at most -120 dBFS-rms: the sound has changed"},
		{"the same", func(t testing.TB) { SameSound(t, want, want) }, ""},
		{"one sample", func(t testing.TB) { SameSound(t, Planes(48000, changed), want) }, "changed_samples is 1 sample"},
		{"a longer one", func(t testing.TB) { SameSound(t, Planes(48000, late), want) }, "found 144012 frames, want 144000"},
		{"other channels", func(t testing.TB) { Null(t, Planes(48000, dsp.NewBlock(2, 10)), want, -20) }, "accepted: equal channels and rates"},
		{"a missing file", func(t testing.TB) { Null(t, File("nothing.wav"), want, -20) }, "nothing.wav"},
		{"another latency", func(t testing.TB) { Latency(t, Planes(48000, late), want, 13) }, "delay_frames is 12 frames"},
		{"null of itself", func(t testing.TB) { Null(t, want, want, -200) }, ""},
		{"null of a delayed copy", func(t testing.TB) { Null(t, Planes(48000, late), want, -200) }, ""},
		{"latency", func(t testing.TB) { Latency(t, Planes(48000, late), want, 12) }, ""},
		{"another sound", func(t testing.TB) { Null(t, Planes(48000, dsptest.Speechlike(48000, 1, 3*48000, 2)), want, -20) }, "A and B are different sounds"},
		{"noise", func(t testing.TB) { NoiseFloor(t, want, -200) }, "noise_floor_dbfs"},
	}) {
		r := held(t, c.assert)
		got := strings.Join(r.errors, "\n")
		if c.says == "" && got != "" || !strings.Contains(got, c.says) {
			t.Errorf("%s: %s, want %q", c.name, got, c.says)
		}
		if c.name == "null of a changed one" {
			kept, err := wave.Open(filepath.Join(r.dir, "difference.wav"))
			if err != nil || kept.Frames() != 144000 {
				t.Errorf("%v: the difference is not kept", err)
			} else {
				kept.Close()
			}
		}
	}
}

// A limits file holds a file against another, and keeps what they differ by.
func TestCheckAgainstAnotherFile(t *testing.T) {
	dir := t.TempDir()
	voice := dsptest.Speechlike(48000, 1, 3*48000, 1)
	write := func(name string, gain, error float64) {
		b := dsp.NewBlock(1, voice.Frames())
		for n, x := range voice[0] {
			b[0][n] = gain * x
		}
		b[0][70000] += error
		w, err := wave.Create(filepath.Join(dir, name), wave.Unquantised(48000, 1), wave.Options{})
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
	write("before.wav", 1, 0)
	write("good.wav", 0.5, 0)
	write("bad.wav", 0.5, 0.01)
	l, err := Parse(filepath.Join(dir, "limits.toml"), []byte("schema = 1\n[[expect]]\nlike = \"before.wav\"\nresidual_dbfs = { max = -200 }\ngain_db = { target = -6.02, tolerance = 0.01 }\n"))
	if err != nil {
		t.Fatal(err)
	}
	l.Artefacts = dir
	if c := l.CheckFile(t.Context(), filepath.Join(dir, "good.wav")); !c.Passed() || len(c.Judgements) != 3 || len(c.Kept) != 0 { // and nothing may be missing
		t.Errorf("%+v", c)
	}
	c := l.CheckFile(t.Context(), filepath.Join(dir, "bad.wav"))
	if c.Passed() || len(c.Kept) != 1 {
		t.Fatalf("%+v", c)
	}
	r, err := wave.Open(c.Kept[0])
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	b := dsp.NewBlock(1, 144000)
	r.Read(b)
	if got := b[0][70000]; math.Abs(got-0.02) > 1e-6 { // on the level of before.wav
		t.Errorf("the difference has %g at the frame of the fault, want 0.02", got)
	}
}
