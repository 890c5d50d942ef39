package weighting

import (
	"math"
	"testing"
)

// IEC 61672-1:2013 Table 3, at the exact base-ten frequencies, printed to
// 0.1 dB.
func TestWeightingsAgainstIEC61672(t *testing.T) {
	for n, want := range [][2]float64{
		{-70.4, -14.3}, {-63.4, -11.2}, {-56.7, -8.5}, {-50.5, -6.2}, {-44.7, -4.4}, {-39.4, -3.0}, {-34.6, -2.0}, {-30.2, -1.3}, {-26.2, -0.8}, {-22.5, -0.5},
		{-19.1, -0.3}, {-16.1, -0.2}, {-13.4, -0.1}, {-10.9, 0}, {-8.6, 0}, {-6.6, 0}, {-4.8, 0}, {-3.2, 0}, {-1.9, 0}, {-0.8, 0},
		{0, 0}, {0.6, 0}, {1.0, -0.1}, {1.2, -0.2}, {1.3, -0.3}, {1.2, -0.5}, {1.0, -0.8}, {0.5, -1.3}, {-0.1, -2.0}, {-1.1, -3.0},
		{-2.5, -4.4}, {-4.3, -6.2}, {-6.6, -8.5}, {-9.3, -11.2},
	} {
		hz := 1000 * math.Pow(10, float64(n-20)/10)
		for i, f := range []func(float64) float64{A, C} {
			if got := 10 * math.Log10(f(hz)); math.Abs(got-want[i]) > 0.0501 {
				t.Errorf("%c at %.5g Hz: %.3f dB, the table has %.1f", "AC"[i], hz, got, want[i])
			}
		}
	}
}

// Rec. ITU-R BS.468-4 Table 1, printed to 0.1 dB.
func TestWeightingAgainstBS468(t *testing.T) {
	for hz, want := range map[float64]float64{
		31.5: -29.9, 63: -23.9, 100: -19.8, 200: -13.8, 400: -7.8, 800: -1.9, 1000: 0, 2000: 5.6, 3150: 9.0, 4000: 10.5, 5000: 11.7,
		6300: 12.2, 7100: 12.0, 8000: 11.4, 9000: 10.1, 10000: 8.1, 12500: 0, 14000: -5.3, 16000: -11.7, 20000: -22.2, 31500: -42.7,
	} {
		if got := 10 * math.Log10(BS468(hz)); math.Abs(got-want) > 0.0503 {
			t.Errorf("%g Hz: %.3f dB, the table has %.1f", hz, got, want)
		}
	}
}

// White noise through the weightings, against its level from 20 Hz to 20 kHz:
// integrals of the curves, worked numerically from their definitions (A agrees
// with a published −2.05 dB).
func TestWeightedWhiteNoise(t *testing.T) {
	for name, c := range map[string]struct {
		weight func(float64) float64
		want   float64
	}{"A": {A, -2.0483}, "C": {C, -3.4505}, "BS.468": {BS468, 7.3014}} {
		sum := 0.0
		for hz := 20.5; hz < 20000; hz++ {
			sum += c.weight(hz)
		}
		if got := 10 * math.Log10(sum/19980); math.Abs(got-c.want) > 0.001 {
			t.Errorf("%s: %.4f dB, want %.4f", name, got, c.want)
		}
	}
}
