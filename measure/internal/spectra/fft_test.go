package spectra

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"github.com/boothbench/boothbench/dsp/dsptest"
)

// Every length has the coefficients and sequences of gonum's transform, to the rounding
// of log2(n) additions of numbers up to √n.
func TestFFTAgainstGonum(t *testing.T) {
	most := 1 << 12
	if dsptest.IsExhaustive() {
		most = 1 << 20
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for _, n := range []int{1, 2, 3, 4, 8, 16, 32, 64, 100, 128, 256, 512, 1000, 1024, 2048, 4096, 24, 40, 96, 160, 1536, 2560, 8192, 1 << 15, 1 << 16, 3 << 17, 5 << 17, 1 << 19, 1 << 20} {
		if n > most {
			continue
		}
		x := make([]float64, n)
		for i := range x {
			x[i] = rng.Float64() - 0.5
		}
		own, other := NewFFT(n), fourier.NewFFT(n)
		tolerance := 1e-15 * math.Sqrt(float64(n)) * (1 + math.Log2(float64(n)))
		got, want := own.Coefficients(nil, x), other.Coefficients(nil, x)
		for k := range want {
			if cmplx.Abs(got[k]-want[k]) > tolerance {
				t.Fatalf("%d: coefficient %d is %v, gonum has %v", n, k, got[k], want[k])
			}
		}
		back := own.Sequence(nil, got)
		for i, v := range back {
			if math.Abs(v/float64(n)-x[i]) > 1e-14 {
				t.Fatalf("%d: value %d is %g, want %g", n, i, v/float64(n), x[i])
			}
		}
	}
}

func BenchmarkFFT(b *testing.B) {
	x := make([]float64, 8192)
	for i := range x {
		x[i] = math.Sin(float64(i * i))
	}
	bins := make([]complex128, len(x)/2+1)
	for name, f := range map[string]interface {
		Coefficients([]complex128, []float64) []complex128
	}{"own": NewFFT(len(x)), "gonum": fourier.NewFFT(len(x))} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				f.Coefficients(bins, x)
			}
		})
	}
}
