package vector

// Section is a second-order section in transposed direct form II with the output
// put into the states' equations, so that a state waits for one product and two
// sums instead of two products and three sums:
//
//	y  = B0 x + S1
//	S1 ← S2 + C1 x − A1 S1
//	S2 ←      C2 x − A2 S1
type Section struct{ B0, C1, C2, A1, A2 float64 }

// NewSection is the section with the transfer function
// (b0 + b1 z⁻¹ + b2 z⁻²) / (1 + a1 z⁻¹ + a2 z⁻²).
func NewSection(b0, b1, b2, a1, a2 float64) Section {
	return Section{b0, b1 - float64(a1*b0), b2 - float64(a2*b0), a1, a2}
}

// State is the memory of a section for a channel.
type State struct{ S1, S2 float64 }

// Filter runs sections in series over frames from … to−1 of each plane, in place.
// states has a row for each section with a state for each plane.
func Filter(planes [][]float64, from, to int, sections []Section, states [][]State) {
	if from == to {
		return
	}
	for i := range sections {
		_ = states[i][:len(planes)] // assembly looks at no lengths
	}
	plane := 0
	for ; plane+2 <= len(planes); plane += 2 {
		filterPair(planes[plane][from:to], planes[plane+1][from:to], sections, states, plane)
	}
	if plane < len(planes) {
		filterPlane(planes[plane][from:to], sections, states, plane)
	}
}

// filterPlane runs several sections of a plane at a time, so that the processor has
// work that does not wait. How many at a time changes no bit.
func filterPlane(x []float64, sections []Section, states [][]State, plane int) {
	for i := 0; i < len(sections); {
		switch left := len(sections) - i; {
		case left >= 4 && hasAVX && len(x) >= 8*skew:
			fourSkewed(x, sections[i:], &states[i][plane], &states[i+1][plane], &states[i+2][plane], &states[i+3][plane])
			i += 4
		case left == 1:
			one(x, &sections[i], &states[i][plane])
			i++
		case left == 3 || left > 4:
			three(x, sections[i:], &states[i][plane], &states[i+1][plane], &states[i+2][plane])
			i += 3
		default:
			if hasAVX && len(x) >= 2*skew {
				twoSkewed(x, sections[i:], &states[i][plane], &states[i+1][plane])
			} else {
				two(x, sections[i:], &states[i][plane], &states[i+1][plane])
			}
			i += 2
		}
	}
}

// filterPair runs two planes side by side: with AVX four, three or two sections of
// both at a time, else of each.
func filterPair(x, y []float64, sections []Section, states [][]State, plane int) {
	for i := 0; i < len(sections); {
		k, s := sections[i:], states[i:]
		switch left := len(k); {
		case left >= 4 && hasAVX && len(x) >= 16:
			even := len(x) &^ 1
			fourPairAVX(&x[0], &y[0], even, &k[0], &s[0][plane], &s[1][plane], &s[2][plane], &s[3][plane])
			for j := range 4 {
				one(x[even:], &k[j], &s[j][plane])
				one(y[even:], &k[j], &s[j][plane+1])
			}
			i += 4
		case left == 1:
			if hasAVX {
				pair1AVX(&x[0], &y[0], len(x), &k[0], &s[0][plane])
			} else {
				pair(x, y, &k[0], &s[0][plane], &s[0][plane+1])
			}
			i++
		case left == 3 || left > 4:
			if hasAVX {
				pair3AVX(&x[0], &y[0], len(x), &k[0], &s[0][plane], &s[1][plane], &s[2][plane])
			} else {
				three(x, k, &s[0][plane], &s[1][plane], &s[2][plane])
				three(y, k, &s[0][plane+1], &s[1][plane+1], &s[2][plane+1])
			}
			i += 3
		default:
			if hasAVX {
				pair2AVX(&x[0], &y[0], len(x), &k[0], &s[0][plane], &s[1][plane])
			} else {
				two(x, k, &s[0][plane], &s[1][plane])
				two(y, k, &s[0][plane+1], &s[1][plane+1])
			}
			i += 2
		}
	}
}

// skew is how many frames each section lags the one before it where several share a
// register: one section's output has then left the processor's pipeline when the next
// section needs it.
const skew = 4

// twoSkewed is two with both sections in one register, the second a few frames
// behind.
func twoSkewed(x []float64, k []Section, stateK, stateL *State) {
	one(x[:skew], &k[0], stateK)
	twoAVX(&x[skew], len(x)-skew, &k[0], stateK, stateL)
	one(x[len(x)-skew:], &k[1], stateL)
}

// fourSkewed is four sections in one register.
func fourSkewed(x []float64, k []Section, state0, state1, state2, state3 *State) {
	one(x[:3*skew], &k[0], state0)
	one(x[:2*skew], &k[1], state1)
	one(x[:skew], &k[2], state2)
	fourAVX(&x[3*skew], len(x)-3*skew, &k[0], state0, state1, state2, state3)
	one(x[len(x)-skew:], &k[1], state1)
	one(x[len(x)-2*skew:], &k[2], state2)
	one(x[len(x)-3*skew:], &k[3], state3)
}

// The statements keep few values alive at a time and read coefficients from memory,
// so that the compiler keeps the states in registers; the speed of the loops
// depends on it.

func one(x []float64, k *Section, state *State) {
	p1, p2 := state.S1, state.S2
	for n, v := range x {
		x[n] = float64(k.B0*v) + p1
		p2 += float64(k.C1 * v)
		v = float64(v * k.C2)
		p2 -= float64(k.A1 * p1)
		v -= float64(k.A2 * p1)
		p1, p2 = p2, v
	}
	state.S1, state.S2 = p1, p2
}

// pair runs a section over two planes.
func pair(x, y []float64, k *Section, stateX, stateY *State) {
	p1, p2 := stateX.S1, stateX.S2
	q1, q2 := stateY.S1, stateY.S2
	y = y[:len(x)]
	for n, v := range x {
		x[n] = float64(k.B0*v) + p1
		p2 += float64(k.C1 * v)
		v = float64(v * k.C2)
		p2 -= float64(k.A1 * p1)
		v -= float64(k.A2 * p1)
		p1, p2 = p2, v
		w := y[n]
		y[n] = float64(k.B0*w) + q1
		q2 += float64(k.C1 * w)
		w = float64(w * k.C2)
		q2 -= float64(k.A1 * q1)
		w -= float64(k.A2 * q1)
		q1, q2 = q2, w
	}
	stateX.S1, stateX.S2 = p1, p2
	stateY.S1, stateY.S2 = q1, q2
}

func two(x []float64, k []Section, stateK, stateL *State) {
	a, b := &k[0], &k[1]
	p1, p2 := stateK.S1, stateK.S2
	q1, q2 := stateL.S1, stateL.S2
	for n, v := range x {
		w := float64(a.B0*v) + p1
		p2 += float64(a.C1 * v)
		v = float64(v * a.C2)
		p2 -= float64(a.A1 * p1)
		v -= float64(a.A2 * p1)
		p1, p2 = p2, v
		x[n] = float64(b.B0*w) + q1
		q2 += float64(b.C1 * w)
		w = float64(w * b.C2)
		q2 -= float64(b.A1 * q1)
		w -= float64(b.A2 * q1)
		q1, q2 = q2, w
	}
	stateK.S1, stateK.S2 = p1, p2
	stateL.S1, stateL.S2 = q1, q2
}

func three(x []float64, k []Section, stateK, stateL, stateM *State) {
	a, b, c := &k[0], &k[1], &k[2]
	p1, p2 := stateK.S1, stateK.S2
	q1, q2 := stateL.S1, stateL.S2
	r1, r2 := stateM.S1, stateM.S2
	for n, v := range x {
		w := float64(a.B0*v) + p1
		p2 += float64(a.C1 * v)
		v = float64(v * a.C2)
		p2 -= float64(a.A1 * p1)
		v -= float64(a.A2 * p1)
		p1, p2 = p2, v
		v = float64(b.B0*w) + q1
		q2 += float64(b.C1 * w)
		w = float64(w * b.C2)
		q2 -= float64(b.A1 * q1)
		w -= float64(b.A2 * q1)
		q1, q2 = q2, w
		x[n] = float64(c.B0*v) + r1
		r2 += float64(c.C1 * v)
		v = float64(v * c.C2)
		r2 -= float64(c.A1 * r1)
		v -= float64(c.A2 * r1)
		r1, r2 = r2, v
	}
	stateK.S1, stateK.S2 = p1, p2
	stateL.S1, stateL.S2 = q1, q2
	stateM.S1, stateM.S2 = r1, r2
}
