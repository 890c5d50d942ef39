package dsptest

import (
	"math"
	"math/rand/v2"

	"github.com/boothbench/boothbench/dsp"
)

// Speechlike returns a programme with the pace of speech, for benchmarks and
// for tests of dynamics: phrases of four to eight syllables, 4 or 5 a second,
// with pauses between. A syllable is a train of pitch pulses (90 to 140 Hz)
// through two resonators, and may begin with a hiss; its peaks lie between −20
// and −6 dBFS. Each channel has independent noise of −70 dBFS rms; the
// voice is the same in all of them, at 0 to −3 dB. It is planar, channels x frames.
//
// It is synthetic: it resembles speech only in its levels and times.
func Speechlike(rate, channels, frames int, seed uint64) dsp.Block {
	rng := rand.New(rand.NewPCG(seed, 0x5a1d))
	voice := make([]float64, frames)
	for from := 0; from < frames; {
		for range 4 + rng.IntN(5) {
			n := int((0.2 + 0.05*rng.Float64()) * float64(rate))
			if from+n > frames {
				from = frames
				break
			}
			syllable(voice[from:from+n], rate, rng)
			from += n
		}
		from += int((0.3 + 0.6*rng.Float64()) * float64(rate))
	}
	b := dsp.NewBlock(channels, frames)
	for c, plane := range b {
		gain := dsp.DBToAmplitude(-3 * float64(c) / float64(max(1, channels-1)))
		// Even noise of ±a has an rms of a/√3.
		room := math.Sqrt(3) * dsp.DBToAmplitude(-70)
		for n := range plane {
			plane[n] = gain*voice[n] + room*(2*rng.Float64()-1)
		}
	}
	return b
}

// syllable fills x with one syllable.
func syllable(x []float64, rate int, rng *rand.Rand) {
	pitch := 90 + 50*rng.Float64()
	low := newResonator(300+500*rng.Float64(), 80, rate)
	high := newResonator(900+1400*rng.Float64(), 120, rate)
	hiss := 0
	if rng.IntN(3) == 0 {
		hiss = len(x) / 4
	}
	phase, last := 0.0, 0.0
	for n := range x {
		if n < hiss {
			white := 2*rng.Float64() - 1
			x[n] = 0.3 * (white - last) * math.Sin(math.Pi*float64(n)/float64(hiss))
			last = white
			continue
		}
		pulse := 0.0
		if phase += pitch / float64(rate); phase >= 1 {
			phase--
			pulse = 1
		}
		at := float64(n-hiss) / float64(len(x)-hiss)
		x[n] = (low.next(pulse) + 0.5*high.next(pulse)) * math.Sin(math.Pi*at)
		pitch *= 1 - 0.1/float64(len(x)) // falls by a tenth
	}
	largest := 0.0
	for _, v := range x {
		largest = max(largest, math.Abs(v))
	}
	scale := dsp.DBToAmplitude(-6-14*rng.Float64()) / largest
	for n := range x {
		x[n] *= scale
	}
}

// resonator is a pair of poles: a formant with a centre and a bandwidth in Hz.
type resonator struct{ a1, a2, y1, y2 float64 }

func newResonator(centre, bandwidth float64, rate int) *resonator {
	r := math.Exp(-math.Pi * bandwidth / float64(rate))
	return &resonator{a1: 2 * r * math.Cos(2*math.Pi*centre/float64(rate)), a2: -r * r}
}

func (r *resonator) next(x float64) float64 {
	y := x + r.a1*r.y1 + r.a2*r.y2
	r.y2, r.y1 = r.y1, y
	return y
}
