package spectra

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
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

// The lines that read the noise overlap: they are worth 9.5 degrees of freedom. A line in
// noise lies within what is stated for 95.45 % in as many of 2,000 cases, give or take
// three standard deviations of that count; two deviations of the noise as read hold less.
func TestDeviationsOfALineInNoise(t *testing.T) {
	const frames, rate, hz = 1024, 48000, 9000.0
	window := LowLeakage(frames)
	overlap := func(bins float64) float64 {
		sum, energy := complex(0, 0), 0.0
		for n, w := range window {
			sum += complex(w*w, 0) * cmplx.Rect(1, 2*math.Pi*bins*float64(n)/frames)
			energy += w * w
		}
		return cmplx.Abs(sum) / energy
	}
	at := []float64{-14, -12.5, -11, -9.5, -8, 8, 9.5, 11, 12.5, 14}
	variance := 0.0 // of a mean of exponential distributions, over its square
	for _, a := range at {
		for _, b := range at {
			variance += overlap(a-b) * overlap(a-b) / 100
		}
	}
	if freedom := 2 / variance; math.Abs(freedom-9.5) > 0.05 {
		t.Errorf("%.2f degrees of freedom", freedom)
	}
	random := rand.New(rand.NewPCG(9, 5))
	const runs = 2000
	within, withinTwo := 0, 0
	x := make([]float64, frames)
	for range runs {
		for n := range x {
			x[n] = random.NormFloat64()
		}
		// Noise alone: what it adds in phase with a line.
		l := NewLines(x, rate)
		off, sigma := math.Abs(real(l.At(hz))), math.Sqrt(l.NoiseAround(hz)/2)
		if off <= TwoDeviations*sigma {
			within++
		}
		if off <= 2*sigma {
			withinTwo++
		}
	}
	scatter := 3 * math.Sqrt(0.9545*0.0455/runs)
	if share := float64(within) / runs; math.Abs(share-0.9545) > scatter {
		t.Errorf("%.2f %% within what is stated for 95.45 %%", 100*share)
	}
	if share := float64(withinTwo) / runs; share > 0.9545-scatter {
		t.Errorf("%.2f %% within two deviations as read: Student's t changes nothing", 100*share)
	}
}
