package spectra

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The relations that a Pair states, against the transforms of the two sequences by themselves:
// sums of squares, the square of each, and their products. The tolerance is the rounding of
// sums of n products of numbers up to 1, in the squares of numbers up to √n.
func TestPairAgainstTwoTransforms(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, n := range []int{8, 16, 32, 64, 128, 256, 1024, 2048, 8192} {
		p, own := NewPair(n), NewFFT(n)
		window, x, y := Hann(n), make([]float64, n), make([]float64, n)
		for i := range x {
			x[i], y[i] = rng.Float64()-0.5, 0.2*rng.NormFloat64()
		}
		p.First(window, x)
		p.Second(window, y)
		sums := make([]float64, n)
		p.AddSquares(sums)
		p.First(window, x)
		p.Second(window, y)
		z := p.Transform()
		one, other := own.Windowed(nil, window, x), own.Windowed(nil, window, y)
		tolerance := 1e-15 * float64(n)
		close := func(k int, what string, got, want float64) {
			if !(math.Abs(got-want) <= tolerance) {
				t.Fatalf("%d, bin %d: %s is %g, want %g", n, k, what, got, want)
			}
		}
		for k := range one {
			j := (n - k) % n
			a, b := complex(z.Re[k], z.Im[k]), complex(z.Re[j], z.Im[j])
			xx, yy := real(one[k])*real(one[k])+imag(one[k])*imag(one[k]), real(other[k])*real(other[k])+imag(other[k])*imag(other[k])
			aa, bb := real(a)*real(a)+imag(a)*imag(a), real(b)*real(b)+imag(b)*imag(b)
			product := complex(real(one[k]), -imag(one[k])) * other[k]
			close(k, "the sum of squares", (sums[k]+sums[j])/2, xx+yy)
			close(k, "the square of the first", (aa+bb)/4+real(a*b)/2, xx)
			close(k, "the square of the second", (aa+bb)/4-real(a*b)/2, yy)
			close(k, "the product's real part", imag(a*b)/2, real(product))
			close(k, "the product's imaginary part", -(aa-bb)/4, imag(product))
		}
	}
}

// A spectrum of blocks in pairs is that of each block by itself, for odd numbers of blocks, and
// for blocks that are added after it was read.
func TestPowerOfAnyNumberOfBlocks(t *testing.T) {
	const n = 64
	rng := rand.New(rand.NewPCG(5, 6))
	x := make([]float64, 7*n)
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	p, own := Empty(Hann(n), 48000), NewFFT(n)
	want := make([]float64, n/2+1)
	for from := 0; from < len(x); from += n {
		block := x[from : from+n]
		p.Add(block, n)
		for k, v := range own.Windowed(nil, p.Window, block) {
			want[k] += p.sided(k) * (real(v)*real(v) + imag(v)*imag(v))
		}
		if blocks := from/n + 1; blocks == 3 || blocks == 4 || blocks == 7 {
			for k, v := range p.Sums() {
				if math.Abs(v-want[k]) > 1e-14*float64(blocks) { // rounding: values are of about 1/n
					t.Fatalf("%d blocks, bin %d: %g, want %g", blocks, k, v, want[k])
				}
			}
		}
	}
}

// A Hann window is its definition, 0.5 − 0.5 cos(2πn/N), to half the rounding of an angle of up
// to 2π, by three operations.
func TestHannIsItsDefinition(t *testing.T) {
	for _, length := range []int{0, 1, 2, 3, 5, 63, 64, 65, 127, 128, 129, 1000, 4801, 96000} {
		w := Hann(length)
		if len(w) != length {
			t.Fatalf("%d values, want %d", len(w), length)
		}
		for n, v := range w {
			if want := 0.5 - 0.5*math.Cos(2*math.Pi*float64(n)/float64(length)); math.Abs(v-want) > 1e-15 {
				t.Fatalf("%d values: value %d is %g, want %g", length, n, v, want)
			}
		}
	}
}
