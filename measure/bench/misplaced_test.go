package bench

import (
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/instrument"
)

// What a reviewer may do wrong is named: a control that did not stand where the plan says,
// a file that states another rate than it was recorded at, two channels mixed to one, a
// beginning that was cut off, and clipping at its place in the file.
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
		trimmed[c] = trimmed[c][48000+48000/2:] // a second of silence, and more than a mark
	}
	for _, c := range []struct {
		name, phrase string
		recordings   []instrument.Recording
	}{
		{"the control was not moved", "the control did not stand where the plan says", []instrument.Recording{{Sound: sound(0), Rate: 48000, Bits: 24}, {Sound: sound(1), Rate: 48000, Bits: 24}}},
		{"another rate in the header", "the file states 44100 Hz, and its sound has 48000 Hz", []instrument.Recording{{Sound: sound(0), Rate: 44100, Bits: 24}}},
		{"channels mixed", "record every channel by itself", []instrument.Recording{{Sound: dsp.Block{mixed}, Rate: 48000, Bits: 24}}},
		{"clipped", "at full scale from 00:00:01.5", []instrument.Recording{{Sound: loud, Rate: 48000, Bits: 24}}},
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
