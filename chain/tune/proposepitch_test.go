package tune

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
	"github.com/boothbench/boothbench/dsp/wave"
)

// The lowest pitch is that of the voice, even where hum fills the pauses. For these recordings
// an independent implementation of YIN (de Cheveigné and Kawahara, JASA 111(4) 2002, 1917) read
// a 5th percentile of 75 and 163 Hz in frames of the same loudness. The bounds are wider,
// because a step of the lag at 4 kHz is 2 and 7 Hz there, and because the takes consist of
// other phrases.
func TestLowestPitch(t *testing.T) {
	for _, c := range []struct {
		voice       string
		least, most float64
	}{{takes.Readings, 65, 90}, {takes.SpokenNames, 145, 180}} {
		room := takes.NewRoom(takes.Spoken(t, c.voice), "pink", 30, 0.25, 20, 3)
		x := room.Take()
		for n := range x {
			x[n] += 0.003 * math.Sin(2*math.Pi*60*float64(n)/float64(room.Rate))
		}
		if hz, seconds := analysed(t, room.Rate, x).pitch.lowest(); hz < c.least || hz > c.most || seconds < leastVoicedSeconds {
			t.Errorf("%s: %g Hz of %g s, want %g to %g Hz", c.voice, hz, seconds, c.least, c.most)
		}
	}
	// A second channel of inverted polarity must not cancel the voice.
	room := takes.NewRoom(takes.Spoken(t, takes.Readings), "pink", 30, 0.25, 10, 3)
	inverted := make([]float64, len(room.Speech))
	for n, v := range room.Take() {
		inverted[n] = -v
	}
	hz, seconds := analysed(t, room.Rate, room.Take()).pitch.lowest()
	if with, seconds2 := analysed(t, room.Rate, room.Take(), inverted).pitch.lowest(); with != hz || seconds2 != seconds || seconds < leastVoicedSeconds {
		t.Errorf("with an inverted channel: %g Hz of %g s, alone %g Hz of %g s", with, seconds2, hz, seconds)
	}
	// A DC offset is perfectly periodic, but not a voice.
	offset := make([]float64, 5*48000)
	for n := range offset {
		offset[n] = 0.1
	}
	if hz, seconds := analysed(t, 48000, offset).pitch.lowest(); seconds > 0.5 {
		t.Errorf("an offset: %g Hz of %g s", hz, seconds)
	}
}

// The amount of speech from which the pitch is read does not depend on the length of the
// pauses. The same phrases are 1 s apart, and up to 40 s apart with a lead of the same length.
// The noise is 20 to 50 dB below the speech, and there are hum and two slams louder than the
// speech.
//
// Tolerance: windows of 50 ms divide the phrases differently, which changes the voiced time of
// 10 s of speech by a tenth. Its 5th percentile depends on about five windows, and noise moves
// it by two steps of the lag: 8 % at 160 Hz.
func TestPitchDoesNotDependOnLongPauses(t *testing.T) {
	for _, seed := range dsptest.Some(2, []uint64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20}) {
		rng := rand.New(rand.NewPCG(seed, 40))
		p := takes.Spoken(t, []string{takes.Readings, takes.SpokenNames}[seed%2])
		var phrases [][]float64
		seconds := 0.0
		for seconds < 10 {
			clip := p.Clips[rng.IntN(len(p.Clips))]
			phrase, gain := slices.Clone(clip), math.Pow(10, (-24-takes.ActiveLevel(clip, p.Rate))/20)
			for n := range phrase {
				phrase[n] *= gain
			}
			phrases = append(phrases, phrase)
			seconds += float64(len(clip)) / float64(p.Rate)
		}
		noise, hum, slam := math.Pow(10, (-24-20-30*rng.Float64())/20), 0.003*rng.Float64(), 0.9*float64(rng.IntN(2))
		read := func(gap float64) (hz, seconds float64) {
			f := wave.Unquantised(p.Rate, 1)
			pitch := newPitch(f)
			sample := newSoundSample(p.Rate, 1, pitch.write)
			n := 0
			add := func(x []float64) {
				y := make([]float64, len(x))
				for k, v := range x {
					y[k] = v + noise*rng.NormFloat64() + hum*math.Sin(2*math.Pi*50*float64(n)/float64(p.Rate))
					n++
				}
				for len(y) > 0 {
					k := min(len(y), 1+rng.IntN(5000))
					sample.add(dsp.Block{y[:k]})
					y = y[k:]
				}
			}
			pause := make([]float64, int(gap*float64(p.Rate)))
			for i, x := range phrases {
				door := slices.Clone(pause)
				for k := range p.Rate / 10 {
					if i < 2 {
						door[k] = slam * (2*rng.Float64() - 1)
					}
				}
				add(door)
				add(x)
			}
			add(pause)
			sample.end()
			return pitch.lowest()
		}
		want, all := read(1)
		gap := 5 + 35*rng.Float64()
		hz, got := read(gap)
		if math.Abs(got-all) > 0.1*all || math.Abs(hz-want) > 0.085*want {
			t.Errorf("seed %d: %.1f s and %.0f Hz with pauses of %.0f s, %.1f s and %.0f Hz with pauses of 1 s", seed, got, hz, gap, all, want)
		}
	}
}
