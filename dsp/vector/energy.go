package vector

// Doubled is two sections in series that advance by two frames at a time, so that a
// state waits once for products and sums instead of twice. For a Section with the
// state before (S1, S2), the inputs x0, x1 and the state between (T1, T2):
//
//	y0 = B0 x0 + S1,  T1 = S2 + C1 x0 − A1 S1
//	y1 = B0 x1 + T1
//	S1 ← (C2 − A1 C1) x0 + C1 x1 − A1 S2 + (A1² − A2) S1
//	S2 ←     − A2 C1  x0 + C2 x1 − A2 S2 +     A1 A2  S1
//
// Each coefficient stands twice for the first section and twice for the second, as
// assembly takes them.
type Doubled struct{ b0, c1, c2, a1, a2, x1, s1, x2, s2 [4]float64 }

// NewDoubled builds it from two sections.
func NewDoubled(first, second Section) *Doubled {
	d := new(Doubled)
	for i, k := range [4]Section{first, first, second, second} {
		d.b0[i], d.c1[i], d.c2[i], d.a1[i], d.a2[i] = k.B0, k.C1, k.C2, k.A1, k.A2
		d.x1[i], d.s1[i] = k.C2-float64(k.A1*k.C1), float64(k.A1*k.A1)-k.A2
		d.x2[i], d.s2[i] = -float64(k.A2*k.C1), float64(k.A1*k.A2)
	}
	return d
}

// DoubledState is the memory of two sections for a plane: their states before a
// pair of frames and, between its frames, the first input of each.
type DoubledState struct {
	First, Second State
	V, W          float64
}

// Energy runs the sections over frames from … to−1 of each plane and stores no
// samples: it adds the squares of the output of each plane to sums. between states
// that frame from is the second of a pair.
func (d *Doubled) Energy(planes [][]float64, from, to int, between bool, states []DoubledState, sums []float64) {
	// Cut to the length in use: assembly does not check lengths.
	states, sums = states[:len(planes)], sums[:len(planes)]
	if between && from < to {
		for p, plane := range planes {
			d.second(plane[from], &states[p], &sums[p])
		}
		from++
	}
	pairs := (to - from) / 2
	plane := 0
	for ; hasSIMD && pairs > 1 && plane+2 <= len(planes); plane += 2 {
		d.twoPlanes(planes[plane][from:], planes[plane+1][from:], pairs, &states[plane], &states[plane+1], sums[plane:])
	}
	for ; plane < len(planes); plane++ {
		if hasSIMD && pairs > 1 {
			d.onePlane(planes[plane][from:], pairs, &states[plane], &sums[plane])
		} else {
			d.pairs(planes[plane][from:from+2*pairs], &states[plane], &sums[plane])
		}
	}
	if from += 2 * pairs; from < to {
		for p, plane := range planes {
			d.first(plane[from], &states[p], &sums[p])
		}
	}
}

// pairs is pair for both sections, written out so that the states stay in registers.
func (d *Doubled) pairs(x []float64, s *DoubledState, sum *float64) {
	p1, p2 := s.First.S1, s.First.S2
	q1, q2 := s.Second.S1, s.Second.S2
	total := *sum
	for ; len(x) >= 2; x = x[2:] {
		v, u := x[0], x[1]
		t := p2 + float64(d.c1[0]*v) - float64(d.a1[0]*p1)
		w0 := float64(d.b0[0]*v) + p1
		w1 := float64(d.b0[0]*u) + t
		t = float64(d.x1[0]*v) + float64(d.c1[0]*u) - float64(d.a1[0]*p2) + float64(d.s1[0]*p1)
		p2 = float64(d.x2[0]*v) + float64(d.c2[0]*u) - float64(d.a2[0]*p2) + float64(d.s2[0]*p1)
		p1 = t
		t = q2 + float64(d.c1[2]*w0) - float64(d.a1[2]*q1)
		v = float64(d.b0[2]*w0) + q1
		u = float64(d.b0[2]*w1) + t
		t = float64(d.x1[2]*w0) + float64(d.c1[2]*w1) - float64(d.a1[2]*q2) + float64(d.s1[2]*q1)
		q2 = float64(d.x2[2]*w0) + float64(d.c2[2]*w1) - float64(d.a2[2]*q2) + float64(d.s2[2]*q1)
		q1 = t
		total += float64(v * v)
		total += float64(u * u)
	}
	s.First, s.Second = State{p1, p2}, State{q1, q2}
	*sum = total
}

// pair is two frames of the section whose coefficients stand at i.
func (d *Doubled) pair(i int, v0, v1 float64, s *State) (y0, y1 float64) {
	y0 = float64(d.b0[i]*v0) + s.S1
	between := s.S2 + float64(d.c1[i]*v0) - float64(d.a1[i]*s.S1)
	y1 = float64(d.b0[i]*v1) + between
	s1 := float64(d.x1[i]*v0) + float64(d.c1[i]*v1) - float64(d.a1[i]*s.S2) + float64(d.s1[i]*s.S1)
	s2 := float64(d.x2[i]*v0) + float64(d.c2[i]*v1) - float64(d.a2[i]*s.S2) + float64(d.s2[i]*s.S1)
	s.S1, s.S2 = s1, s2
	return y0, y1
}

// first is the first frame of a pair, whose second is not there yet.
func (d *Doubled) first(v float64, s *DoubledState, sum *float64) {
	s.V = v
	s.W = float64(d.b0[0]*v) + s.First.S1
	y := float64(d.b0[2]*s.W) + s.Second.S1
	*sum += float64(y * y)
}

// second completes a pair.
func (d *Doubled) second(v float64, s *DoubledState, sum *float64) {
	_, w := d.pair(0, s.V, v, &s.First)
	_, y := d.pair(2, s.W, w, &s.Second)
	*sum += float64(y * y)
}

// twoPlanes has both sections of two planes in one register, the second section a pair
// behind: the output of the first has then left the processor's pipeline.
func (d *Doubled) twoPlanes(x, y []float64, pairs int, a, b *DoubledState, sums []float64) {
	var w [4]float64 // of a pair: the first frame of both planes, then the second
	w[0], w[2] = d.pair(0, x[0], x[1], &a.First)
	w[1], w[3] = d.pair(0, y[0], y[1], &b.First)
	energyTwoSIMD(&x[2], &y[2], pairs-1, d, a, b, &w, &sums[0])
	for p, s := range [2]*DoubledState{a, b} {
		y0, y1 := d.pair(2, w[p], w[2+p], &s.Second)
		sums[p] += float64(y0 * y0)
		sums[p] += float64(y1 * y1)
	}
}

// onePlane is twoPlanes for one.
func (d *Doubled) onePlane(x []float64, pairs int, s *DoubledState, sum *float64) {
	var w [2]float64
	w[0], w[1] = d.pair(0, x[0], x[1], &s.First)
	energyOneSIMD(&x[2], pairs-1, d, s, &w, sum)
	y0, y1 := d.pair(2, w[0], w[1], &s.Second)
	*sum += float64(y0 * y0)
	*sum += float64(y1 * y1)
}
