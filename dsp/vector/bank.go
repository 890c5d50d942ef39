package vector

// Bank gives the energies of several bands of one sound and leaves the sound as it is.
// It holds rows of four sections, one section in each lane of a register. In the lower
// lanes a section takes what the row before it puts out: four sections in series. In the
// upper ones it takes the sound itself: three filters of one section each, of which row 2
// has none.
//
// There are two arrangements. With up to three series a register holds one plane, and
// its last lane has the single sections. With one series it holds two planes: the series
// of both in the lower lanes, the single sections of both in the upper.
//
// Every section is divided by its B0, which saves a product a section. The sums are
// multiplied by the squares of what was divided by when they are taken.
type Bank struct {
	rows [4]struct{ b0, c1, c2, a1, a2 [4]float64 } // as assembly takes them
	used [4][4]bool                                 // row, lane: there is a section
	one  bool                                       // plane in a register

	ofSeries, ofSingles [3]float64 // what sums are multiplied by
}

// BankState is the memory of a Bank for the planes in one register: the sections' states,
// and the running sums of the squares of their outputs.
type BankState struct{ S1, S2, Sums [4][4]float64 }

// rowOfSingle is the row of each single section. Assembly squares what rows 0 and 1 put
// out there as one register, and that of row 3 with the series.
var rowOfSingle = [3]int{0, 1, 3}

// NewBank makes a bank of one to three series and of up to three single sections, none of
// which has a B0 of 0.
func NewBank(series [][4]Section, singles []Section) *Bank {
	b := &Bank{one: len(series) > 1}
	for row := range b.rows {
		b.rows[row].b0 = [4]float64{1, 1, 1, 1}
	}
	put := func(row, lane int, k Section) (square float64) {
		r := &b.rows[row]
		r.c1[lane], r.c2[lane], r.a1[lane], r.a2[lane] = k.C1/k.B0, k.C2/k.B0, k.A1, k.A2
		b.used[row][lane] = true
		return k.B0 * k.B0
	}
	for i, k := range series {
		b.ofSeries[i] = 1
		for row := range k {
			b.ofSeries[i] *= put(row, b.lane(0, i), k[row])
			if !b.one {
				put(row, b.lane(1, i), k[row])
			}
		}
	}
	for i, k := range singles {
		b.ofSingles[i] = put(rowOfSingle[i], b.upper(), k)
		if !b.one {
			put(rowOfSingle[i], b.upper()+1, k)
		}
	}
	return b
}

// upper is the first lane of single sections.
func (b *Bank) upper() int {
	if b.one {
		return 3
	}
	return 2
}

// lane is the lane of a series of the first or the second plane in a register.
func (b *Bank) lane(plane, series int) int { return plane + series }

// NewStates are the states for a number of planes.
func (b *Bank) NewStates(planes int) []BankState {
	if b.one {
		return make([]BankState, planes)
	}
	return make([]BankState, (planes+1)/2)
}

// TakeSeries is the sum of the squares of a plane's series, which begins anew.
func (b *Bank) TakeSeries(states []BankState, plane, series int) float64 {
	if b.one {
		return takeSum(&states[plane].Sums[3][b.lane(0, series)], b.ofSeries[series])
	}
	return takeSum(&states[plane/2].Sums[3][b.lane(plane%2, series)], b.ofSeries[series])
}

// TakeSingle is TakeSeries of a single section.
func (b *Bank) TakeSingle(states []BankState, plane, single int) float64 {
	row := rowOfSingle[single]
	if b.one {
		return takeSum(&states[plane].Sums[row][3], b.ofSingles[single])
	}
	return takeSum(&states[plane/2].Sums[row][2+plane%2], b.ofSingles[single])
}

func takeSum(at *float64, square float64) (sum float64) {
	sum, *at = *at*square, 0
	return sum
}

// Energies runs the bank over frames from … to−1 of each plane.
func (b *Bank) Energies(planes [][]float64, from, to int, states []BankState) {
	if from >= to {
		return
	}
	for hasAVX512 && b.one && len(states) >= 2 {
		x, y := planes[0][from:to], planes[1][from:to]
		bankPairAVX512(&x[0], &y[0], len(x), b, &states[0], &states[1])
		planes, states = planes[2:], states[2:]
	}
	b.energies(planes, from, to, states, hasAVX)
}

func (b *Bank) energies(planes [][]float64, from, to int, states []BankState, assembly bool) {
	if from >= to {
		return
	}
	assembly = assembly && to-from >= 3
	for i := range states {
		s := &states[i]
		if b.one {
			x := planes[i][from:to]
			if assembly {
				bankOneAVX(&x[0], len(x), b, s)
			} else {
				b.run(x, x, s)
			}
			continue
		}
		x := planes[2*i][from:to]
		var y []float64 // nil: of an odd number of planes the last one is alone
		if 2*i+1 < len(planes) {
			y = planes[2*i+1][from:to]
		}
		switch {
		case assembly && y == nil:
			bankTwoAVX(&x[0], &x[0], len(x), b, s)
		case assembly:
			bankTwoAVX(&x[0], &y[0], len(x), b, s)
		default:
			b.run(x, y, s)
		}
	}
}

// run is what assembly does, lane by lane: the odd lanes take the second plane where
// there are two.
func (b *Bank) run(x, y []float64, s *BankState) {
	for lane := range 4 {
		plane := x
		if !b.one && lane%2 == 1 {
			if plane = y; y == nil {
				continue
			}
		}
		if lane < b.upper() {
			if b.used[0][lane] {
				b.series(plane, lane, s)
			}
			continue
		}
		for row := range 4 {
			if b.used[row][lane] {
				b.single(plane, row, lane, s)
			}
		}
	}
}

// series stores the last row's sum alone; the others are not used.
func (b *Bank) series(x []float64, lane int, s *BankState) {
	var k [4]Section
	var p1, p2 [4]float64
	for row := range k {
		k[row], p1[row], p2[row] = b.section(row, lane), s.S1[row][lane], s.S2[row][lane]
	}
	sum := s.Sums[3][lane]
	for _, v := range x {
		for row := range k {
			v, p1[row], p2[row] = k[row].step(v, p1[row], p2[row])
		}
		sum += float64(v * v)
	}
	for row := range k {
		s.S1[row][lane], s.S2[row][lane] = p1[row], p2[row]
	}
	s.Sums[3][lane] = sum
}

// single runs the sections of a row. What row 3 takes has passed through row 2, which has
// no section there: samples that are not finite leave NaN in its states.
func (b *Bank) single(x []float64, row, lane int, s *BankState) {
	k, p1, p2, sum := b.section(row, lane), s.S1[row][lane], s.S2[row][lane], s.Sums[row][lane]
	none := Section{B0: 1}
	q1, q2 := s.S1[2][lane], s.S2[2][lane]
	for _, v := range x {
		if row == 3 {
			v, q1, q2 = none.step(v, q1, q2)
		}
		v, p1, p2 = k.step(v, p1, p2)
		sum += float64(v * v)
	}
	s.S1[row][lane], s.S2[row][lane], s.Sums[row][lane] = p1, p2, sum
	s.S1[2][lane], s.S2[2][lane] = q1, q2
}

func (b *Bank) section(row, lane int) Section {
	r := &b.rows[row]
	return Section{r.b0[lane], r.c1[lane], r.c2[lane], r.a1[lane], r.a2[lane]}
}

// step is one frame of a section.
func (k *Section) step(v, p1, p2 float64) (y, s1, s2 float64) {
	y = float64(k.B0*v) + p1
	s1 = p2 + float64(k.C1*v) - float64(k.A1*p1)
	s2 = float64(k.C2*v) - float64(k.A2*p1)
	return y, s1, s2
}
