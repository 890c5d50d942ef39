package vector

import (
	"math/rand/v2"
	"testing"
)

// The assembly gives the same sums, peaks and states as the loop in Go, with NaN,
// infinities and denormals, wherever a stretch is cut.
func TestQuartetBits(t *testing.T) {
	needAVX(t)
	rng := rand.New(rand.NewPCG(51, 52))
	for round := range 2000 {
		var sections []Section
		for range 1 + rng.IntN(4) {
			sections = append(sections, stable(rng))
		}
		q := NewQuartet(sections)
		var got QuartetState
		for i := range 4 {
			got.S1[i], got.S2[i], got.Squares[i], got.Peaks[i] = rng.NormFloat64(), rng.NormFloat64(), rng.Float64(), rng.Float64()
		}
		want := got
		x := samples(rng, 1+rng.IntN(70), round%4 != 0)
		cut := rng.IntN(len(x) + 1)
		q.Read(x[:cut], &got)
		q.Read(x[cut:], &got)
		q.read(x, &want)
		for what, pair := range map[string][2][]float64{
			"states":  {append(got.S1[:], got.S2[:]...), append(want.S1[:], want.S2[:]...)},
			"squares": {got.Squares[:], want.Squares[:]}, "peaks": {got.Peaks[:], want.Peaks[:]},
		} {
			if err := same(pair[0], pair[1]); err != nil {
				t.Fatalf("round %d, %d sections, %s: %v", round, len(sections), what, err)
			}
		}
	}
}
