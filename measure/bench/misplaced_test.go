package bench

import (
	"context"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// The sheet names the mistakes that a reviewer can make: a gain control set differently from
// the plan, a file that states another rate than that of its recording, two channels mixed to
// one, a beginning cut off, and clipping, with its place in the file.
func TestMisplacedRecordingsAreNamed(t *testing.T) {
	p := planOf(t, strings.NewReplacer("repeats = 2", "repeats = 1", "seconds=2\"", "seconds=1.2 channels=2\"", "gains_db", "channels = 2\ngains_db").Replace(twoGains))
	sound := func(gain int) dsp.Block {
		b, _, err := p.Sound(p.Conditions()[gain])
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	loud := sound(0)
	for c := range loud {
		for n, v := range loud[c] {
			loud[c][n] = max(-1, min(1, 200*v))
		}
		loud[c] = slices.Concat(make([]float64, 48000), loud[c])
	}
	one := sound(0)
	mixed := make([]float64, one.Frames())
	for n := range mixed {
		mixed[n] = (one[0][n] + one[1][n]) / 2
	}
	trimmed := sound(0)
	for c := range trimmed {
		trimmed[c] = trimmed[c][48000+48000/2:] // cuts one second of silence and more than a mark
	}
	backwards := sound(0)
	for _, plane := range backwards {
		slices.Reverse(plane)
	}
	for _, c := range []struct {
		name, phrase string
		recordings   []instrument.Recording
	}{
		{"the control was not moved", "the control was not set as the plan states", []instrument.Recording{{Sound: sound(0), Rate: 48000, Bits: 24}, {Sound: sound(1), Rate: 48000, Bits: 24}}},
		{"another rate in the header", "the file states 44100 Hz, and its sound has 48000 Hz", []instrument.Recording{{Sound: sound(0), Rate: 44100, Bits: 24}}},
		{"channels mixed", "record every channel by itself", []instrument.Recording{{Sound: dsp.Block{mixed}, Rate: 48000, Bits: 24}}},
		{"clipped", "at full scale from 00:00:01.5", []instrument.Recording{{Sound: loud, Rate: 48000, Bits: 24}}},
		{"backwards", "it runs backwards", []instrument.Recording{{Sound: backwards, Rate: 48000, Bits: 24}}},
		{"no frames", "0 frames", []instrument.Recording{{Sound: dsp.NewBlock(2, 0), Rate: 48000, Bits: 24}}},
		{"silent", "every sample is 0", []instrument.Recording{{Sound: dsp.NewBlock(2, 48000), Rate: 48000, Bits: 24}}},
		{"one signal on both channels", "as channel 1 does", []instrument.Recording{{Sound: dsp.Block{one[0], one[0]}, Rate: 48000, Bits: 24}}},
		{"a channel too many", "the recording has 3 channels, the path 2", []instrument.Recording{{Sound: dsp.Block{one[0], one[1], one[1]}, Rate: 48000, Bits: 24}}},
		{"a channel too few", "the recording has 1 channel, the path 2", []instrument.Recording{{Sound: dsp.Block{one[0]}, Rate: 48000, Bits: 24}}},
		{"its beginning trimmed", "its beginning was cut off", []instrument.Recording{{Sound: trimmed, Rate: 48000, Bits: 24}}},
	} {
		collector, err := NewCollector(p)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range c.recordings {
			collector.Add("it.wav", "", r)
		}
		s := collector.Sheet()
		if !slices.ContainsFunc(append(s.Findings, s.Void...), func(l Lack) bool { return strings.Contains(l.What+l.Do, c.phrase) }) {
			t.Errorf("%s: findings %v, void %v; wanted %q", c.name, s.Findings, s.Void, c.phrase)
		}
	}
}

// converter is a gain ahead of a converter, which clips at full scale.
type converter struct{ gain float64 }

func (c converter) Respond(_ context.Context, in wave.Source, out wave.Sink) error {
	b := dsp.NewBlock(in.Format().Channels, int(in.(*wave.Memory).Frames()))
	if _, err := in.Read(b); err != nil {
		return err
	}
	for _, plane := range b {
		for n, v := range plane {
			plane[n] = max(-1, min(1, c.gain*v))
		}
	}
	return out.Write(b)
}

// The marks around silence are no louder than the path's level. So they do not clip at a gain
// chosen for that level, and the idle noise is measured.
func TestMarksAroundSilenceDoNotClip(t *testing.T) {
	p := planOf(t, `schema = 1
device = "A"
[[test]]
name = "silence"
stimulus = "kind=silence seconds=2"
[[path]]
name = "microphone input"
kind = "microphone-input"
gains_db = [10, 60]
level_dbfs = [-20, -70]
tests = ["silence"]
`)
	s, err := Run(t.Context(), p, func(c Condition) (instrument.Device, error) { return converter{dsp.DBToAmplitude(*c.GainDB)}, nil }, func(string, int, int) {})
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Void)+len(s.Missing) > 0 {
		t.Errorf("void %v, missing %v", s.Void, s.Missing)
	}
}

// A finding that every stimulus of a path shows is listed once in the sheet. An output that is
// louder with its load than without one is a finding too.
func TestFindingsAreListedOnce(t *testing.T) {
	p := planOf(t, `schema = 1
device = "A"
[[path]]
name = "out"
kind = "headphone-output"
channels = 2
level_dbfs = -20
loads_ohm = [0, 32]
tests = ["balance"]
`)
	s, err := Run(t.Context(), p, func(c Condition) (instrument.Device, error) {
		return converter{-1 - c.LoadOhm/1000}, nil
	}, func(string, int, int) {})
	if err != nil {
		t.Fatal(err)
	}
	count := func(phrase string) (n int) {
		for _, l := range s.Findings {
			if strings.Contains(l.Of+l.What+l.Do, phrase) {
				n++
			}
		}
		return n
	}
	// One for each of the two channels.
	if count("polarity inverted") != 2 || count(", and 1 more of this path") != 2 || count("record both conditions again") != 2 {
		t.Errorf("findings %v", s.Findings)
	}
}

// A gain that drifts during a recording and a path that is muted in silence are findings of an
// interface. They are not of a processor, whose gain depends on the level.
func TestUnsteadyGainAndMutedSilence(t *testing.T) {
	for _, kind := range []string{"loopback", "processor"} {
		p := planOf(t, `schema = 1
device = "A"
[[test]]
name = "tone"
stimulus = "kind=tone hz=997 peak_dbfs=-20 seconds=1.5"
[[test]]
name = "silence"
stimulus = "kind=silence seconds=1.5"
[[path]]
name = "path"
kind = "`+kind+`"
tests = ["tone", "silence"]
`)
		for _, fault := range []string{"", "drifts", "muted in silence", "is exactly 0, and beside"} {
			if (fault == "" || strings.HasPrefix(fault, "is exactly")) && kind == "processor" && !dsptest.IsExhaustive() {
				continue
			}
			sound, begins, err := p.Sound(p.Conditions()[0])
			if err != nil {
				t.Fatal(err)
			}
			plane, noise := sound[0], rand.New(rand.NewPCG(3, 1))
			frames := len(plane)
			for n := range plane {
				hiss := 1e-4 * noise.NormFloat64()
				if l := stimulus.LayoutOf(48000, 72000); fault == "muted in silence" && n > begins[1]+l.Signal && n < begins[1]+l.SignalEnd {
					hiss *= 0.01
				} else if fault == "is exactly 0, and beside" && n >= begins[1]+l.Signal-100 && n < begins[1]+l.SignalEnd+100 {
					hiss = 0
				}
				plane[n] += hiss
				if fault == "drifts" { // by 1.2 dB over the recording
					plane[n] *= 1 + 0.15*float64(n)/float64(frames)
				}
			}
			collector, err := NewCollector(p)
			if err != nil {
				t.Fatal(err)
			}
			collector.Add("it.wav", "", instrument.Recording{Sound: sound, Rate: 48000, Bits: 24})
			s := collector.Sheet()
			if len(s.Void)+len(s.Missing) > 0 {
				t.Fatalf("void %v, missing %v", s.Void, s.Missing)
			}
			wanted := fault != "" && kind == "loopback"
			found := slices.ContainsFunc(s.Findings, func(l Lack) bool { return strings.Contains(l.What+l.Do, fault) })
			if found != wanted && (fault != "" || len(s.Findings) > 0) {
				t.Errorf("%s, %q: findings %v", kind, fault, s.Findings)
			}
			for _, r := range s.Rows { // only the noise in silence is not the path's
				isMuted := wanted && fault != "drifts" && strings.HasPrefix(r.Reading, "idle_noise_")
				if (r.Contradicted != "") != isMuted || isMuted && !strings.Contains(r.Contradicted, "the path is muted in silence") {
					t.Errorf("%s, %q: %s is contradicted by %q", kind, fault, r.Reading, r.Contradicted)
				}
			}
		}
	}
}

// A break in one stimulus of a recording leaves the clock of the whole recording undecided.
func TestBrokenRecordingHasNoClock(t *testing.T) {
	p := planOf(t, `schema = 1
device = "A"
[[test]]
name = "first"
stimulus = "kind=tone hz=997 peak_dbfs=-30 seconds=1.5"
[[test]]
name = "second"
stimulus = "kind=tone hz=997 peak_dbfs=-20 seconds=1.5"
[[path]]
name = "line"
kind = "loopback"
tests = ["first", "second"]
`)
	for _, repeated := range []bool{false, true} {
		sound, begins, err := p.Sound(p.Conditions()[0])
		if err != nil {
			t.Fatal(err)
		}
		x, random := sound[0], rand.New(rand.NewPCG(3, 4))
		if at := begins[1] + stimulus.LayoutOf(48000, 72000).Signal + 40000; repeated {
			copy(x[at+1:], x[at:])
		}
		for n := range x {
			x[n] += 1e-5 * random.NormFloat64()
		}
		c, err := NewCollector(p)
		if err != nil {
			t.Fatal(err)
		}
		c.Add("it.wav", "digest", instrument.Recording{Sound: sound, Rate: 48000, Bits: 24})
		s := c.Sheet()
		drift := row(t, s, "first", "drift_ppm")
		if (drift.Value == nil) != repeated || repeated && drift.Reason != instrument.BrokenDrift {
			t.Errorf("repeated %t: drift %v", repeated, drift)
		}
		if (len(s.Findings) > 0) != repeated || slices.ContainsFunc(s.Findings, func(l Lack) bool { return strings.Contains(l.What, "clock") }) {
			t.Errorf("repeated %t: %v", repeated, s.Findings)
		}
	}
}
