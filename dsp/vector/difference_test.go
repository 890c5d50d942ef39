package vector

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The assembly reads and writes what the loop in Go does, bit by bit, of samples that are
// equal here and there, of denormal ones and of infinite ones.
func TestDifferenceBits(t *testing.T) {
	needAVX(t)
	rng := rand.New(rand.NewPCG(71, 72))
	bits := math.Float64bits
	for round := range 2000 {
		n := 1 + rng.IntN(60)
		x, y := samples(rng, n, true), samples(rng, n, true)
		gain := math.Exp(rng.NormFloat64())
		for k := range y {
			switch rng.IntN(8) {
			case 0:
				y[k] = x[k]
			case 1:
				y[k] = math.SmallestNonzeroFloat64 * float64(rng.IntN(9))
			case 2:
				if round%5 == 0 {
					y[k] = math.Inf(1 - 2*rng.IntN(2))
				}
			}
		}
		gotY, gotE, wantY, wantE := append([]float64(nil), y...), make([]float64, n), append([]float64(nil), y...), make([]float64, n)
		got, want := differenceOf(x, gotY, gotE, gain, true), differenceOf(x, wantY, wantE, gain, false)
		for _, v := range [][2]float64{{got.XX, want.XX}, {got.YY, want.YY}, {got.EE, want.EE}, {got.XY, want.XY}, {got.X, want.X}, {got.Y, want.Y}, {got.MostY, want.MostY}, {got.MostE, want.MostE}} {
			if bits(v[0]) != bits(v[1]) && !(math.IsNaN(v[0]) && math.IsNaN(v[1])) {
				t.Fatalf("round %d, %d samples:\n%+v, in Go\n%+v", round, n, got, want)
			}
		}
		if got.Changed != want.Changed {
			t.Fatalf("round %d: %d samples changed, in Go %d", round, got.Changed, want.Changed)
		}
		for k := range gotY {
			if bits(gotY[k]) != bits(wantY[k]) || bits(gotE[k]) != bits(wantE[k]) {
				t.Fatalf("round %d, sample %d: %g and %g, in Go %g and %g", round, k, gotY[k], gotE[k], wantY[k], wantE[k])
			}
		}
	}
}

// The result is what the fields are documented to be, computed by plain loops.
func TestDifferenceAgainstPlainSums(t *testing.T) {
	x, y, e := []float64{1, -2, 0.5, 0, 0.25}, []float64{1, -1, 0.5, 1, -2}, make([]float64, 5)
	got := DifferenceOf(x, y, e, 2)
	want := Difference{XX: 5.3125, YY: 29, EE: 23.3125, XY: 5.5, X: -0.25, Y: -1, MostY: 4, MostE: 4.25, Changed: 3}
	if got != want {
		t.Errorf("found %+v, want %+v", got, want)
	}
	for n, v := range []float64{1, 0, 0.5, 2, -4.25} {
		if e[n] != v || y[n] != x[n]+v {
			t.Errorf("sample %d: y is %g and the difference %g, want %g and %g", n, y[n], e[n], x[n]+v, v)
		}
	}
}

func BenchmarkDifference(b *testing.B) {
	rng := rand.New(rand.NewPCG(73, 74))
	x, y, e := samples(rng, 48, true), samples(rng, 48, true), make([]float64, 48)
	b.Run("assembly", func(b *testing.B) {
		needAVX(b)
		for b.Loop() {
			differenceOf(x, y, e, 1, true)
		}
	})
	b.Run("Go", func(b *testing.B) {
		for b.Loop() {
			differenceOf(x, y, e, 1, false)
		}
	})
}
