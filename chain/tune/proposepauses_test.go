package tune

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
)

// spaced returns the phrases of a speaker with pauses of one length between them, in noise of
// one level. Their active level is −16 dBFS.
func spaced(p takes.Phrases, repeats int, pauseSeconds, snr float64) takes.Room {
	r := takes.Room{Rate: p.Rate, SpeechDBFS: -16}
	pause := int(pauseSeconds * float64(p.Rate))
	for range repeats {
		for _, clip := range p.Clips {
			gain := dsp.DBToAmplitude(r.SpeechDBFS - takes.ActiveLevel(clip, p.Rate))
			for _, v := range clip {
				r.Speech = append(r.Speech, gain*v)
			}
			r.Pauses = append(r.Pauses, [2]int{len(r.Speech), len(r.Speech) + pause})
			r.Speech = append(r.Speech, make([]float64, pause)...)
		}
	}
	r.Noise = takes.RoomNoise("pink", len(r.Speech), p.Rate, r.SpeechDBFS-snr, 7)
	return r
}

// inPauses returns a take of a room with a breath in every pause, at most seven tenths of its
// length, or with a closing door in one pause of five.
func inPauses(room takes.Room, kind string, noiseDBFS float64) []float64 {
	x, rng := room.Take(), rand.New(rand.NewPCG(7, 7))
	for i, pause := range room.Pauses {
		length := pause[1] - pause[0]
		switch {
		case kind == "breath":
			y := takes.Disturbance(kind, room.Rate, noiseDBFS+8+12*rng.Float64(), rng.Uint64())
			takes.Add(x, takes.Faster(y, float64(len(y))/float64(length)/0.7), pause[0])
		case kind == "door" && i%5 == 2:
			y := takes.Disturbance(kind, room.Rate, room.SpeechDBFS, rng.Uint64())
			takes.Add(x, y[:min(len(y), length)], pause[0])
		}
	}
	return x
}

// The same speech gets the same chain with pauses of 0.3 to 10 s, with breaths in them and with
// doors. The tolerances:
//
// 0.5 dB for the expander's threshold, as for other disturbances; 1 dB for its range.
//
// 1.5 dB for the compressor's threshold and the limiter's drive. They are set on stretches of
// 10 s, which hold other phrases where the pauses are longer, and breaths count as soft speech
// where they are less than 15.9 dB below it.
//
// 5 Hz for the corner of the high-pass, its step.
func TestSettingsDoNotDependOnPauses(t *testing.T) {
	voices, pauses := []string{takes.Readings}, []float64{0.3, 3}
	if dsptest.IsExhaustive() {
		voices, pauses = append(voices, takes.SpokenNames), []float64{0.3, 1, 3, 10}
	}
	limits := map[string]float64{"expander.threshold_dbfs": 0.5, "expander.range_db": 1, "compressor.threshold_dbfs": 1.5, "limiter.drive_db": 1.5, "highpass.corner_hz": 5, "compressor.ratio": 0.2}
	for _, voice := range voices {
		p := takes.Spoken(t, voice)
		repeats := 1
		if voice == takes.SpokenNames {
			repeats = 2 // the phrases last 9 s
		}
		const snr = 30
		values := map[string][]float64{}
		var deEsser []string
		for _, kind := range []string{"", "breath", "door"} {
			for _, pause := range pauses {
				room := spaced(p, repeats, pause, snr)
				proposal := proposed(t, room.Rate, ProposeSettings{PredictOnly: true}, inPauses(room, kind, room.SpeechDBFS-snr))
				if _, on := expanderOf(t, proposal); !on {
					t.Errorf("%s, %q, pauses of %g s: the expander is off: %q", voice, kind, pause, proposal.Off()["expander"])
				}
				for key := range limits {
					values[key] = append(values[key], chosen(t, proposal, key))
				}
				_, off := proposal.Off()["de-esser"]
				deEsser = append(deEsser, map[bool]string{true: "off", false: "on"}[off])
			}
		}
		for key, limit := range limits {
			if v := values[key]; slices.Max(v)-slices.Min(v) > limit+1e-9 {
				t.Errorf("%s: %s is %g", voice, key, v)
			} else {
				t.Logf("%s: %s is %g to %g", voice, key, slices.Min(v), slices.Max(v))
			}
		}
		if len(slices.Compact(deEsser)) > 1 {
			t.Errorf("%s: the de-esser is %q", voice, deEsser)
		}
	}
}

// randomPauses returns phrases with pauses of 0.2 to 4 s between them. If eventful, half of the
// pauses hold a breath, a click, a creak (of a turned page) or a door. They are 8 to 14 dB over
// the noise, and so no louder than the softest speech that counts as active.
func randomPauses(p takes.Phrases, seconds, snr float64, eventful bool, rng *rand.Rand) (r takes.Room, x []float64) {
	takes.ForgetNoises()
	r = takes.Room{Rate: p.Rate, SpeechDBFS: -24}
	for spoken := 0; float64(spoken) < seconds*float64(p.Rate); {
		for _, clip := range p.Clips {
			gain := dsp.DBToAmplitude(r.SpeechDBFS - takes.ActiveLevel(clip, p.Rate))
			for _, v := range clip {
				r.Speech = append(r.Speech, gain*v)
			}
			spoken += len(clip)
			pause := int(0.2 * math.Pow(20, rng.Float64()) * float64(p.Rate))
			r.Pauses = append(r.Pauses, [2]int{len(r.Speech), len(r.Speech) + pause})
			r.Speech = append(r.Speech, make([]float64, pause)...)
		}
	}
	r.Noise = takes.RoomNoise("pink", len(r.Speech), p.Rate, r.SpeechDBFS-snr, rng.Uint64())
	x = r.Take()
	for _, pause := range r.Pauses {
		if !eventful || rng.IntN(2) == 0 {
			continue
		}
		y := takes.Disturbance([]string{"breath", "click", "creak", "door"}[rng.IntN(4)], p.Rate, r.SpeechDBFS-snr+8+6*rng.Float64(), rng.Uint64())
		takes.Add(x, y[:min(len(y), pause[1]-pause[0])], pause[0])
	}
	return r, x
}

// The settings depend on the speech and the noise alone. Other pauses between the same phrases
// move the expander's threshold by at most 0.3 dB, its range by 0.5 dB, the compressor's
// threshold by 0.5 dB, the ratio by 0.2, gains of the equaliser by 0.5 dB, and the high-pass by
// one step. They move the limiter's drive by at most 1 dB, two of its steps: it is set on
// stretches of 10 s, which hold other phrases where the pauses are longer. No stage is switched
// on or off.
func TestSettingsDoNotDependOnRandomPauses(t *testing.T) {
	variants, voices := 2, []string{takes.Readings}
	if dsptest.IsExhaustive() {
		variants, voices = 8, append(voices, "/usr/share/pocketsphinx/test/data/cards/*.wav", takes.SpokenNames)
	}
	limits := map[string]float64{
		"expander.threshold_dbfs": 0.3, "expander.range_db": 0.5, "compressor.threshold_dbfs": 0.5, "compressor.ratio": 0.2, "limiter.drive_db": 1,
		"highpass.corner_hz": 5, "tone.gain_db": 0.5, "tone.centre_hz": 0, "de-esser.relative_db": 0, "de-esser.range_db": 0,
	}
	for i, voice := range voices {
		p := takes.Spoken(t, voice)
		values, off := map[string][]float64{}, map[string]int{}
		for k := range variants {
			rng := rand.New(rand.NewPCG(uint64(k), uint64(570+i)))
			r, x := randomPauses(p, 25, 32, k%4 != 0, rng)
			proposal := proposed(t, r.Rate, ProposeSettings{PredictOnly: true}, x)
			for _, c := range proposal.Choices {
				if key := c.Stage + "." + c.Key; limits[key] > 0 || strings.HasSuffix(key, "_hz") && c.Stage == "tone" {
					values[key] = append(values[key], mustFloat(c.Value))
				}
			}
			for stage := range proposal.Off() {
				off[stage]++
			}
		}
		for key, v := range values {
			t.Logf("%s: %s is %g", voice, key, v)
			if slices.Max(v)-slices.Min(v) > limits[key]+1e-9 {
				t.Errorf("%s: %s is %g", voice, key, v)
			}
			if len(v) != variants {
				t.Errorf("%s: %s is there in %d of %d", voice, key, len(v), variants)
			}
		}
		for stage, n := range off {
			if n != variants {
				t.Errorf("%s: the %s is off in %d of %d", voice, stage, n, variants)
			}
		}
	}
}

// The active sound of a track does not depend on silence or soft noise in it. The track has
// speech at two levels, and noise 40 dB lower that lasts up to a hundred times as long.
func TestActivityIgnoresPauses(t *testing.T) {
	speech := make([]int16, 4000)
	for k := range speech {
		speech[k] = int16(-2000 - k/7%900)
	}
	want := activityOf(speech, quietest)
	for _, noise := range []int16{quietest, -9000, -6300} {
		for _, times := range []int{1, 10, 100} {
			track := slices.Clone(speech)
			for range times * len(speech) {
				track = append(track, noise)
			}
			got := activityOf(append(track, speech...), quietest)
			if math.Abs(got.db-want.db) > 1e-9 || math.Abs(got.seconds-2*want.seconds) > 0.01 {
				t.Errorf("noise at %d, %d times as long: %.3f dB in %.2f s, alone %.3f dB in %.2f s twice", noise/100, times, got.db, got.seconds, want.db, want.seconds)
			}
		}
	}
	if silent := activityOf(make([]int16, 0), quietest); !math.IsInf(silent.db, -1) || silent.seconds != 0 {
		t.Errorf("nothing: %+v", silent)
	}
}
