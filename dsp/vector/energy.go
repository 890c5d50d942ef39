package vector

// Energy runs two sections in series over frames from … to−1 of each plane, as Filter
// does, but stores nothing: to sums it adds the squares of what comes out, plane by
// plane, one after the other.
func Energy(planes [][]float64, from, to int, sections []Section, states [][]State, sums []float64) {
	if len(sections) != 2 {
		panic("vector: energy of other than two sections")
	}
	if from == to {
		return
	}
	// Cut to what is used: assembly looks at no lengths.
	a, b, sums := states[0][:len(planes)], states[1][:len(planes)], sums[:len(planes)]
	plane := 0
	for ; hasAVX && plane+2 <= len(planes); plane += 2 {
		x, y := planes[plane][from:to], planes[plane+1][from:to]
		energyPairAVX(&x[0], &y[0], len(x), &sections[0], &a[plane], &b[plane], &sums[plane])
	}
	for ; plane < len(planes); plane++ {
		x := planes[plane][from:to]
		if hasAVX && len(x) >= 4*skew {
			energySkewed(x, sections, &a[plane], &b[plane], &sums[plane])
		} else {
			energy(x, sections, &a[plane], &b[plane], &sums[plane])
		}
	}
}

func energy(x []float64, k []Section, stateK, stateL *State, sum *float64) {
	a, b := &k[0], &k[1]
	p1, p2 := stateK.S1, stateK.S2
	q1, q2 := stateL.S1, stateL.S2
	total := *sum
	for _, v := range x {
		w := float64(a.B0*v) + p1
		p2 += float64(a.C1 * v)
		v = float64(v * a.C2)
		p2 -= float64(a.A1 * p1)
		v -= float64(a.A2 * p1)
		p1, p2 = p2, v
		y := float64(b.B0*w) + q1
		q2 += float64(b.C1 * w)
		w = float64(w * b.C2)
		q2 -= float64(b.A1 * q1)
		w -= float64(b.A2 * q1)
		q1, q2 = q2, w
		total += float64(y * y)
	}
	stateK.S1, stateK.S2 = p1, p2
	stateL.S1, stateL.S2 = q1, q2
	*sum = total
}

// energySkewed is energy with the second section a few frames behind the first, as
// in twoSkewed.
func energySkewed(x []float64, k []Section, stateK, stateL *State, sum *float64) {
	var between [skew]float64
	copy(between[:], x)
	one(between[:], &k[0], stateK)
	fours := len(x)/skew - 1
	energySkewedAVX(&x[skew], fours, &k[0], stateK, stateL, &between, sum)
	rest := x[skew*(fours+1):]
	second := func(w []float64) {
		one(w, &k[1], stateL)
		for _, y := range w {
			*sum += float64(y * y)
		}
	}
	second(between[:])
	n := copy(between[:], rest)
	one(between[:n], &k[0], stateK)
	second(between[:n])
}
