package spectra

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

// At the lower rate a line reads what it reads at the whole one, in noise and beside a
// loud tone that would fold down onto it: within −160 dB of the sound, 20 dB over the side
// lobes of the filter for the several places that fold onto one.
func TestLowLinesAgainstLines(t *testing.T) {
	rng := rand.New(rand.NewPCG(63, 64))
	const highest = 640.0
	for round := range 40 {
		rate := []int{1000, 8000, 16000, 44100, 48000, 96000, 192000}[round%7]
		x := make([]float64, rate/4+rng.IntN(rate))
		hz := 25 + rng.Float64()*min(highest-25, 0.45*float64(rate)-25)
		folding := 3000 - hz // at 48 kHz
		if folding > 0.45*float64(rate) {
			folding = hz + 100
		}
		for n := range x {
			x[n] = 0.01*rng.NormFloat64() + 0.5*math.Sin(2*math.Pi*folding*float64(n)/float64(rate)) + 1e-4*math.Sin(2*math.Pi*hz*float64(n)/float64(rate))
		}
		want := cmplx.Abs(linesThrough(Hann(len(x)), x, rate).At(hz))
		got := LowLinesThrough(Hann(len(x)), x, rate, highest)
		if math.Abs(got.At(hz)-want) > 1e-8 {
			t.Errorf("%d Hz, %d frames, a line of %.1f Hz: %.12f, want %.12f", rate, len(x), hz, got.At(hz), want)
		}
		if rate == 48000 && got.step != 16 {
			t.Errorf("every %dth frame of 48 kHz is kept; want every 16th", got.step)
		}
	}
}
