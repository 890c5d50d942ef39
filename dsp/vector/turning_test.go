package vector

import (
	"math/rand/v2"
	"testing"
)

// The phasors and the sums have the bits of the Go twin.
func TestTurningBits(t *testing.T) {
	needAVX(t)
	rng := rand.New(rand.NewPCG(23, 24))
	for round := range 1000 {
		var got Turning
		for _, lanes := range []*[4]float64{&got.Re, &got.Im, &got.SumRe, &got.SumIm} {
			copy(lanes[:], samples(rng, 4, false))
		}
		got.StepRe, got.StepIm = rng.NormFloat64(), rng.NormFloat64()
		want := got
		x := samples(rng, rng.IntN(60), false)
		taken := got.Add(x)
		want.add(x[:taken])
		if len(x)-taken > 3 {
			t.Fatalf("round %d: %d of %d taken", round, taken, len(x))
		}
		for _, lanes := range [][2][4]float64{{got.Re, want.Re}, {got.Im, want.Im}, {got.SumRe, want.SumRe}, {got.SumIm, want.SumIm}} {
			if err := same(lanes[0][:], lanes[1][:]); err != nil {
				t.Fatalf("round %d, %d samples: %v", round, len(x), err)
			}
		}
	}
}
