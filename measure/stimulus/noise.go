package stimulus

import (
	"math"
	"math/rand/v2"

	"github.com/boothbench/boothbench/dsp"
)

// WhiteNoise is uniformly distributed random samples: its spectrum is flat up to half the rate,
// and its rms is 4.77 dB below its peak.
type WhiteNoise struct {
	PeakDBFS float64
	Seconds  float64 // fades included
	Channels int     // 0 means one; all have the same noise
	Seed     uint64
}

// Kind is "white-noise".
func (w WhiteNoise) Kind() string { return "white-noise" }

// Make returns the noise at a rate in Hz.
func (w WhiteNoise) Make(rate int) (dsp.Block, error) {
	if err := firstError(checkFormat(rate, w.Channels), checkPeak("peak_dbfs", w.PeakDBFS), checkSeconds("seconds", w.Seconds)); err != nil {
		return nil, err
	}
	plane := uniform(frames(w.Seconds, rate), w.Seed)
	scale(plane, dsp.DBToAmplitude(w.PeakDBFS))
	fade(plane, rate)
	return spread(plane, w.Channels, 0), nil
}

// PinkNoise has the same power in every octave, from 20 Hz to 0.45 of the rate.
type PinkNoise struct {
	PeakDBFS float64
	Seconds  float64 // fades included
	Channels int     // 0 means one; all have the same noise
	Seed     uint64
}

// Kind is "pink-noise".
func (p PinkNoise) Kind() string { return "pink-noise" }

// Make returns the noise at a rate in Hz.
func (p PinkNoise) Make(rate int) (dsp.Block, error) {
	if err := firstError(checkFormat(rate, p.Channels), checkPeak("peak_dbfs", p.PeakDBFS), checkSeconds("seconds", p.Seconds)); err != nil {
		return nil, err
	}
	// The filter's lowest pole, at 1 Hz or more, has settled after a second.
	settle := rate
	plane := uniform(settle+frames(p.Seconds, rate), p.Seed)
	dsp.NewCascade(pinkSections(float64(rate)), 1).Process(dsp.Block{plane})
	plane = plane[settle:]
	largest := 0.0
	for _, x := range plane {
		largest = max(largest, math.Abs(x))
	}
	scale(plane, dsp.DBToAmplitude(p.PeakDBFS)/largest)
	fade(plane, rate)
	return spread(plane, p.Channels, 0), nil
}

// pinkSections make white noise pink. Their first-order poles are an octave apart from about 1
// Hz up, each with its zero half an octave higher, so that the gain falls in small stairs by 3
// dB per octave. Poles and zeros are mapped to z = e^(−2πf/rate); the first section corrects
// the error of that near the Nyquist frequency. Its coefficients and the highest pole are
// fitted: the slope holds within ±0.05 dB from 20 Hz to 0.45 of the rate.
func pinkSections(rate float64) []dsp.Biquad {
	z := func(hz float64) float64 { return dsp.Exp2(-2 * math.Pi * math.Log2E * hz / rate) }
	sections := []dsp.Biquad{{B0: 1, B1: 0.319, A1: 0.234}}
	for hz := 1.427 * rate; hz > 1; hz /= 2 {
		sections = append(sections, dsp.Biquad{B0: 1, B1: -z(hz * math.Sqrt2), A1: -z(hz)})
	}
	return sections
}

// uniform returns random numbers between −1 and 1 from the PCG generator. Go's documentation
// fixes its sequence.
func uniform(n int, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 0x626f6f7468)) // the second word is arbitrary
	x := make([]float64, n)
	for i := range x {
		x[i] = float64(int64(rng.Uint64())) * 0x1p-63
	}
	return x
}

func scale(plane []float64, gain float64) {
	for n := range plane {
		plane[n] *= gain
	}
}
