package vector

// GroupSquares are, for two planes, the sum of the squares of a group of samples, and the
// sum of that sum after each sample: the squares weighted by the group's length, falling
// to 1.
type GroupSquares struct{ Sum, Falling [2]float64 }

// FilterSquares filters two planes by a section, of which states has a state for each
// plane, and stores of what comes out only the squares: those of len(sums) groups, each of
// a number of frames that is even and at least 4.
func FilterSquares(x, y []float64, group int, k *Section, states []State, sums []GroupSquares) {
	n := len(sums) * group
	x, y, states = x[:n], y[:n], states[:2]
	if n == 0 {
		return
	}
	if hasAVX {
		squaresPairAVX(&x[0], &y[0], group, k, &states[0], &sums[0], len(sums))
		return
	}
	filterSquares(x, group, k, &states[0], sums, 0)
	filterSquares(y, group, k, &states[1], sums, 1)
}

func filterSquares(x []float64, group int, k *Section, state *State, sums []GroupSquares, plane int) {
	p1, p2 := state.S1, state.S2
	for g := range sums {
		sum, falling := 0.0, 0.0
		for _, v := range x[g*group : (g+1)*group] {
			w := float64(k.B0*v) + p1
			p2 += float64(k.C1 * v)
			v = float64(v * k.C2)
			p2 -= float64(k.A1 * p1)
			v -= float64(k.A2 * p1)
			p1, p2 = p2, v
			sum += float64(w * w)
			falling += sum
		}
		sums[g].Sum[plane], sums[g].Falling[plane] = sum, falling
	}
	state.S1, state.S2 = p1, p2
}

// FilterThenSquares filters two planes by a section, in place, and what comes out of it as
// FilterSquares does: with AVX in the time of one of them, since a section of two planes
// waits for itself.
func FilterThenSquares(x, y []float64, group int, first, second *Section, firstStates, secondStates []State, sums []GroupSquares) {
	n := len(sums) * group
	x, y, firstStates, secondStates = x[:n], y[:n], firstStates[:2], secondStates[:2]
	if n == 0 {
		return
	}
	if hasAVX {
		filterSquaresAVX(&x[0], &y[0], group, first, second, &firstStates[0], &secondStates[0], &sums[0], len(sums))
		return
	}
	pair(x, y, first, &firstStates[0], &firstStates[1])
	FilterSquares(x, y, group, second, secondStates, sums)
}
