package dsp

import (
	"math"
	"testing"
)

// residual is what a least-squares sine leaves of a steady tone, against the
// tone, in dB: THD+N over the whole band (AES17-2015 6.3.1 with a perfect
// notch).
func residual(x []float64, hz float64, rate int) float64 {
	var ss, sc, cc, xs, xc float64
	for n, v := range x {
		s, c := math.Sincos(2 * math.Pi * hz * float64(n) / float64(rate))
		ss, sc, cc, xs, xc = ss+s*s, sc+s*c, cc+c*c, xs+v*s, xc+v*c
	}
	det := ss*cc - sc*sc
	a, b := (xs*cc-xc*sc)/det, (xc*ss-xs*sc)/det
	var rest, all float64
	for n, v := range x {
		s, c := math.Sincos(2 * math.Pi * hz * float64(n) / float64(rate))
		e := v - a*s - b*c
		rest, all = rest+e*e, all+v*v
	}
	return 10 * math.Log10(rest/all)
}

// Steady tones from 60 Hz to 10 kHz under 6 dB of compression: with a peak
// detector the gain is constant, and THD+N is rounding, for tones that the rate
// divides, nearly divides (4800.2 Hz at 48 kHz) and does not. The promise is
// −120 dB.
func TestCompressorDoesNotDistortTones(t *testing.T) {
	if !exhaustive() {
		t.Skip("a long test: set BOOTHBENCH_EXHAUSTIVE=1 to run it")
	}
	tones := []float64{60, 61.7, 100, 441, 997, 1000, 1224.5, 2005.4, 2999, 3001, 3676.8, 4410.5, 4799, 4800.2, 4999, 5000, 8001, 9600.1, 10_000}
	for _, rate := range []int{44100, 48000, 96000} {
		worst := math.Inf(-1)
		for _, hz := range tones {
			// 8 dB over the threshold at 4:1 is 6 dB of compression.
			c := mustCompressor(t, CompressorSettings{ThresholdDBFS: -14, Ratio: 4, AttackMs: 5, ReleaseMs: 20, Detector: Peak, DetectorWindowMs: 10}, rate, 1)
			x := sine(0.5, hz, rate, rate)
			gain := NewBlock(1, rate)
			c.ProcessTraced(Block{x}, gain)
			if got := toDB(gain[0][rate-1]); math.Abs(got+6) > 0.02 { // 20·log10 0.5 is −6.02 dBFS
				t.Errorf("%g Hz at %d Hz: %.3f dB of compression, meant 6", hz, rate, -got)
			}
			r := residual(x[rate/2:], hz, rate)
			worst = max(worst, r)
			if r > -120 {
				t.Errorf("%g Hz at %d Hz: THD+N %.1f dB", hz, rate, r)
			}
		}
		t.Logf("%d Hz: worst THD+N %.0f dB", rate, worst)
	}
}
