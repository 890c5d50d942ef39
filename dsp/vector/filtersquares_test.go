package vector

import (
	"math/rand/v2"
	"testing"
)

func TestFilterSquaresBits(t *testing.T) {
	needAVX(t)
	rng := rand.New(rand.NewPCG(21, 22))
	for round := range 2000 {
		group, groups, finite := 4+2*rng.IntN(9), rng.IntN(6), rng.IntN(2) == 0
		n := group * groups
		first, second := stable(rng), stable(rng)
		var x, y [2][]float64
		var states, wanted [2][]State
		for p := range 2 {
			x[p] = samples(rng, n+2, finite)
			y[p] = append([]float64(nil), x[p]...)
			for range 2 {
				states[p] = append(states[p], State{rng.NormFloat64(), rng.NormFloat64()})
			}
			wanted[p] = append([]State(nil), states[p]...)
		}
		got, want := make([]GroupSquares, groups), make([]GroupSquares, groups)
		then := round%2 == 0
		if then {
			FilterThenSquares(x[0], x[1], group, &first, &second, states[0], states[1], got)
		} else {
			FilterSquares(x[0], x[1], group, &second, states[1], got)
		}
		for p := range 2 {
			if then {
				one(y[p][:n], &first, &wanted[0][p])
			}
			filterSquares(y[p][:n], group, &second, &wanted[1][p], want, p)
		}
		list := func(planes [2][]float64, states [2][]State, sums []GroupSquares) (all []float64) {
			for p := range 2 {
				all = append(all, planes[p]...)
				for _, s := range states[p] {
					all = append(all, s.S1, s.S2)
				}
			}
			for _, s := range sums {
				all = append(all, s.Sum[0], s.Sum[1], s.Falling[0], s.Falling[1])
			}
			return all
		}
		if err := same(list(x, states, got), list(y, wanted, want)); err != nil {
			t.Fatalf("round %d: %d groups of %d frames: %v", round, groups, group, err)
		}
	}
}

// One plane in one loop is what the two filters do one after the other.
func TestFilterSquaresOfOnePlane(t *testing.T) {
	rng := rand.New(rand.NewPCG(25, 26))
	for round := range 500 {
		group, groups := 4+2*rng.IntN(9), rng.IntN(6)
		n := group * groups
		first, second := stable(rng), stable(rng)
		x := samples(rng, n+2, rng.IntN(2) == 0)
		y := append([]float64(nil), x...)
		states, wanted := []State{{rng.NormFloat64(), rng.NormFloat64()}}, []State{{rng.NormFloat64(), rng.NormFloat64()}}
		firstStates, secondStates := append([]State(nil), states...), append([]State(nil), wanted...)
		got, want := make([]GroupSquares, groups), make([]GroupSquares, groups)
		FilterThenSquares(x, nil, group, &first, &second, firstStates, secondStates, got)
		one(y[:n], &first, &states[0])
		FilterSquares(y, nil, group, &second, wanted, want)
		list := func(x []float64, states ...State) []float64 {
			for _, s := range states {
				x = append(x, s.S1, s.S2)
			}
			return x
		}
		for g := range got {
			x, y = append(x, got[g].Sum[0], got[g].Falling[0]), append(y, want[g].Sum[0], want[g].Falling[0])
		}
		if err := same(list(x, firstStates[0], secondStates[0]), list(y, states[0], wanted[0])); err != nil {
			t.Fatalf("round %d: %d groups of %d frames: %v", round, groups, group, err)
		}
	}
}

func TestMagnitudesBits(t *testing.T) {
	needAVX(t)
	rng := rand.New(rand.NewPCG(23, 24))
	for range 2000 {
		n := rng.IntN(30)
		x, y := samples(rng, n, false), samples(rng, n, false)
		got, want := make([]uint64, n), make([]uint64, n)
		largest, wanted := Magnitudes(got, x, y), magnitudes(want, x, y)
		if largest != wanted {
			t.Fatalf("largest of %d: %x in assembly, %x in Go", n, largest, wanted)
		}
		for i := range got {
			if got[i] != want[i] {
				t.Fatalf("frame %d of %d: %x in assembly, %x in Go", i, n, got[i], want[i])
			}
		}
		a, b := append([]float64(nil), x...), append([]float64(nil), y...)
		Exchange(a, b)
		exchange(x, y)
		if err := same(append(a, b...), append(x, y...)); err != nil {
			t.Fatal(err)
		}
	}
}
