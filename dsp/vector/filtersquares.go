package vector

// GroupSquares are, for two planes, the sum of the squares of a group of samples, and the
// sum of that sum after each sample: the squares weighted by the group's length, falling
// to 1.
type GroupSquares struct{ Sum, Falling [2]float64 }

// FilterSquares filters two planes by a section, of which states has a state for each
// plane, and stores of what comes out only the squares: those of len(sums) groups, each of
// a number of frames that is even and at least 4. A y of nil stands for no second plane.
func FilterSquares(x, y []float64, group int, k *Section, states []State, sums []GroupSquares) {
	n := len(sums) * group
	if n == 0 {
		return
	}
	if x = x[:n]; y == nil {
		filterSquares(x, group, k, &states[0], sums, 0)
		return
	}
	y, states = y[:n], states[:2]
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

// FilterThenSquares filters planes by a section, in place, and what comes out of it as
// FilterSquares does: in the time of one of the two, since a section waits for itself.
func FilterThenSquares(x, y []float64, group int, first, second *Section, firstStates, secondStates []State, sums []GroupSquares) {
	n := len(sums) * group
	if n == 0 {
		return
	}
	if x = x[:n]; y == nil {
		filterThenSquares(x, group, first, second, &firstStates[0], &secondStates[0], sums)
		return
	}
	y, firstStates, secondStates = y[:n], firstStates[:2], secondStates[:2]
	if hasAVX {
		filterSquaresAVX(&x[0], &y[0], group, first, second, &firstStates[0], &secondStates[0], &sums[0], len(sums))
		return
	}
	pair(x, y, first, &firstStates[0], &firstStates[1])
	FilterSquares(x, y, group, second, secondStates, sums)
}

// filterThenSquares is both filters of one plane in one loop.
func filterThenSquares(x []float64, group int, first, second *Section, firstState, secondState *State, sums []GroupSquares) {
	p1, p2 := firstState.S1, firstState.S2
	q1, q2 := secondState.S1, secondState.S2
	for g := range sums {
		sum, falling := 0.0, 0.0
		part := x[g*group : (g+1)*group]
		for n, v := range part {
			w := float64(first.B0*v) + p1
			part[n] = w
			p2 += float64(first.C1 * v)
			v = float64(v * first.C2)
			p2 -= float64(first.A1 * p1)
			v -= float64(first.A2 * p1)
			p1, p2 = p2, v
			v = float64(second.B0*w) + q1
			q2 += float64(second.C1 * w)
			w = float64(w * second.C2)
			q2 -= float64(second.A1 * q1)
			w -= float64(second.A2 * q1)
			q1, q2 = q2, w
			sum += float64(v * v)
			falling += sum
		}
		sums[g].Sum[0], sums[g].Falling[0] = sum, falling
	}
	firstState.S1, firstState.S2 = p1, p2
	secondState.S1, secondState.S2 = q1, q2
}
