package tune

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
)

// Breaths alone stand out of the noise as speech does, but hold no voice. The proposal notes
// that, and its confidence is low; for a whisper too, which sounds the same. For a voice in the
// same room there is no such note.
func TestVoiceIsFound(t *testing.T) {
	rooms := 1
	if dsptest.IsExhaustive() {
		rooms = 36
	}
	for k := range rooms {
		takes.ForgetNoises()
		room := softRoom(t, 840+k)
		whisper := room
		whisper.Speech = whispered(room.Speech, rand.New(rand.NewPCG(uint64(k), 2)), room.Rate)
		breaths, rng := slices.Clone(room.Noise), rand.New(rand.NewPCG(uint64(k), 3))
		for at := room.Rate / 2; at+room.Rate < len(breaths); at += room.Rate * 5 / 2 {
			level := takes.BandLevel(room.Noise, room.Rate, 80, 20000) + 12 + 20*rng.Float64()
			takes.Add(breaths, takes.Disturbance("breath", room.Rate, level, rng.Uint64()), at)
		}
		for name, x := range map[string][]float64{"voice": room.Take(), "whisper": whisper.Take(), "breaths": breaths} {
			p := proposed(t, room.Rate, ProposeSettings{PredictOnly: true}, x)
			if _, on := expanderOf(t, p); !on {
				continue
			}
			if noted := strings.Contains(strings.Join(p.Notes, " "), "No voice was found"); noted != (name != "voice") {
				t.Errorf("room %d, %s: notes %q", k, name, p.Notes)
			}
			at := slices.IndexFunc(p.Choices, func(c Choice) bool { return c.Stage == "expander" && c.Key == "threshold_dbfs" })
			if c := p.Choices[at].Confidence; name != "voice" && c != Low {
				t.Errorf("room %d, %s: confidence %s", k, name, c)
			}
		}
	}
}
