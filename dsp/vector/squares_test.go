package vector

import (
	"math/rand/v2"
	"testing"
)

// The assembly sums the same parts in the same order, at any length and offset.
func TestSumOfSquaresBits(t *testing.T) {
	needAVX(t)
	rng := rand.New(rand.NewPCG(51, 52))
	for round := range 3000 {
		x := samples(rng, 8+rng.IntN(90), round%3 != 0)
		x = x[rng.IntN(8):]
		n := len(x) &^ 3
		var sums [4]float64
		squares(x[:n], &sums)
		for _, v := range x[n:] {
			sums[0] += float64(v * v)
		}
		want := (sums[0] + sums[1]) + (sums[2] + sums[3])
		if err := same([]float64{SumOfSquares(x)}, []float64{want}); err != nil {
			t.Fatalf("round %d, %d samples: %v", round, len(x), err)
		}
	}
}

func BenchmarkSumOfSquares(b *testing.B) {
	x := samples(rand.New(rand.NewPCG(53, 54)), 1024, true)
	var sums [4]float64
	b.Run("assembly", func(b *testing.B) {
		needAVX(b)
		for b.Loop() {
			squaresAVX(&x[0], len(x)/4, &sums)
		}
	})
	b.Run("Go", func(b *testing.B) {
		for b.Loop() {
			squares(x, &sums)
		}
	})
}
