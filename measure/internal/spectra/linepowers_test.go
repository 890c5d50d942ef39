package spectra

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Sines in stretches of several lengths read their power, also between two cells, by their
// largest cell and by all that lies around them; white noise reads its power in LineHz.
func TestLinePowers(t *testing.T) {
	rng := rand.New(rand.NewPCG(65, 66))
	const highest = 640.0
	for round := range 20 {
		rate := []int{8000, 16000, 44100, 48000, 96000}[round%5]
		hz := 60 + 500*rng.Float64()
		amplitude, noise := 0.01+rng.Float64(), 1e-5
		var sines, noises []*LowLines
		for range 1 + rng.IntN(4) {
			x, y := make([]float64, rate/2+rng.IntN(3*rate/2)), make([]float64, 0)
			for n := range x {
				x[n] = amplitude * math.Sin(2*math.Pi*hz*float64(n)/float64(rate))
				y = append(y, noise*rng.NormFloat64())
			}
			sines = append(sines, LowLinesThrough(Hann(len(x)), x, rate, highest))
			noises = append(noises, LowLinesThrough(Hann(len(y)), y, rate, highest))
		}
		want := 10 * math.Log10(amplitude*amplitude/2)
		table := LinePowersOf(sines, highest)
		if got := 10 * math.Log10(table.Most(hz-0.2, hz+0.2)); got > want+0.01 || got < want-0.1 {
			t.Errorf("%d Hz, a line of %.2f Hz: %.3f dB, want %.3f", rate, hz, got, want)
		}
		if at, power := table.Peak(hz-0.2, hz+0.2); math.Abs(10*math.Log10(power)-want) > 0.01 || math.Abs(at-hz) > 0.005 {
			t.Errorf("%d Hz, a line of %.3f Hz: a peak of %.3f dB at %.3f Hz, want %.3f", rate, hz, 10*math.Log10(power), at, want)
		}
		// The side lobes outside ±10 Hz hold less than −40 dB.
		if got := 10 * math.Log10(table.Between(hz-10, hz+10)); math.Abs(got-want) > 0.01 {
			t.Errorf("%d Hz, around a line of %.2f Hz: %.3f dB, want %.3f", rate, hz, got, want)
		}
		// 500 Hz for half a second and more are 250 degrees of freedom and more: 0.3 dB, of which 4
		// are allowed.
		table = LinePowersOf(noises, highest)
		want = 10 * math.Log10(noise*noise*500/(float64(rate)/2))
		if got := 10 * math.Log10(table.Between(100, 600)); math.Abs(got-want) > 1.2 {
			t.Errorf("%d Hz, noise: %.2f dB, want %.2f", rate, got, want)
		}
		if table.Degrees > float64(len(noises))+1e-9 || table.Degrees < 1 {
			t.Errorf("%d stretches are worth %g", len(noises), table.Degrees)
		}
	}
}
