package spectra

import (
	"math"
	"math/cmplx"
	"testing"
)

// The window is its defining sum of cosines, whatever the length. 1e-14: some ten
// roundings of a sum of terms below 1.
func TestLowLeakageIsItsSumOfCosines(t *testing.T) {
	for _, length := range []int{1, 2, 3, 7, 64, 1001, 48000} {
		for n, got := range LowLeakage(length) {
			want := 0.0
			for k, a := range sevenTerms {
				want += a * math.Cos(math.Pi*float64(k)) * math.Cos(2*math.Pi*float64(k*n%length)/float64(length))
			}
			if math.Abs(got-want) > 1e-14 {
				t.Fatalf("length %d, frame %d: %.17g, want %.17g", length, n, got, want)
			}
		}
	}
}

// What the window promises: past its main lobe nothing above −180 dB (Albrecht,
// 2001), and its coefficients add up to 1.
func TestLowLeakageWindow(t *testing.T) {
	const length = 4096
	ones := make([]float64, length)
	for n := range ones {
		ones[n] = 1
	}
	l := NewLines(ones, length) // 1 Hz is one bin
	centre := cmplx.Abs(l.At(0))
	for bins := 7.0; bins < length/2; bins += 0.37 {
		if leak := 20 * math.Log10(cmplx.Abs(l.At(bins))/centre); leak > -180 {
			t.Errorf("%.2f bins off: %.1f dB", bins, leak)
		}
	}
	if inside := 20 * math.Log10(cmplx.Abs(l.At(3))/centre); inside < -60 {
		t.Errorf("3 bins off, within the main lobe: %.1f dB", inside)
	}
}

// A sine between bins: its amplitude, its phase and, from a guess 30 ppm off, its
// frequency. 1e-9: far below any bound that is stated, far above rounding.
func TestLinesAtAnyFrequency(t *testing.T) {
	for _, hz := range []float64{20, 997.3, 7993, 19999.9} {
		x := make([]float64, 100000)
		for n := range x {
			x[n] = 0.3 * math.Cos(2*math.Pi*math.Mod(hz*float64(n)/48000, 1)+1)
		}
		v := NewLines(x, 48000).At(hz)
		if math.Abs(cmplx.Abs(v)-0.3) > 1e-9 || math.Abs(cmplx.Phase(v)-1) > 1e-9 {
			t.Errorf("%g Hz: %.12g at %.12g", hz, cmplx.Abs(v), cmplx.Phase(v))
		}
		if got := Refine(x, 48000, hz*(1+30e-6)); math.Abs(got/hz-1) > 1e-9 {
			t.Errorf("%g Hz: found %.9g", hz, got)
		}
		Subtract(x, 48000, hz, v)
		for n, left := range x {
			if math.Abs(left) > 1e-9 {
				t.Fatalf("%g Hz: %g is left at frame %d", hz, left, n)
			}
		}
	}
}
