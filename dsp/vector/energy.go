package vector

// Quarters measures the energy of a sound after two sections in series. A section waits for
// its own states, so the four quarters of a stretch run at once, one in each lane of a
// register. The states in which the later quarters begin are computed ahead:
//
// The two sections are linear. With the four states s, an input x and one frame
//
//	s ← M s + b x,
//
// n frames leave
//
//	Mⁿ s + Σ Mⁿ⁻¹⁻ⁱ b x[i],   i = 0 … n−1,
//
// which are four products a sample, none of which waits for another. The powers of M lie in
// tables.
type Quarters struct {
	// Of both sections, each divided by its first coefficient: C1, C2, A1 and A2 of the
	// first, then of the second, each four times, as assembly takes them.
	k [8][4]float64

	// Of each state, what a sample of 1 leaves of it at the end of a quarter: from mostRows − 1
	// frames to 0 after that sample, and then zeros.
	left  [4][mostRows + 4]float64
	decay [mostRows + 1][4][4]float64 // [n][i]: the states n frames after state i was 1
	scale float64                     // what the energy is divided by then
}

const (
	mostRows   = 128 // frames in a quarter: 20 KiB of tables stay in the first cache
	fewestRows = 4   // below, frame by frame costs no more
)

// QuartersState is the memory of two sections for a plane.
type QuartersState struct{ First, Second State }

// NewQuarters makes it of two sections. B0 of neither may be 0.
func NewQuarters(first, second Section) *Quarters {
	q := &Quarters{scale: float64(first.B0*first.B0) * float64(second.B0*second.B0)}
	for i, k := range [2]Section{first, second} {
		for j, c := range [4]float64{k.C1 / k.B0, k.C2 / k.B0, k.A1, k.A2} {
			q.k[4*i+j] = [4]float64{c, c, c, c}
		}
	}
	// What one frame leaves, and then frames of silence.
	var s QuartersState
	ignored := 0.0
	q.frames([]float64{1}, &s, &ignored)
	for n := mostRows - 1; n >= 0; n-- {
		for i, v := range s.values() {
			q.left[i][n] = v
		}
		q.frames([]float64{0}, &s, &ignored)
	}
	for i := range 4 {
		var one [4]float64
		one[i] = 1
		s = QuartersState{State{one[0], one[1]}, State{one[2], one[3]}}
		for n := range q.decay {
			q.decay[n][i] = s.values()
			q.frames([]float64{0}, &s, &ignored)
		}
	}
	return q
}

func (s *QuartersState) values() [4]float64 {
	return [4]float64{s.First.S1, s.First.S2, s.Second.S1, s.Second.S2}
}

// Energy is the sum of the squares of what the sections put out for x. Its last bits, and
// those of the states, depend on where a sound is cut into stretches.
func (q *Quarters) Energy(x []float64, s *QuartersState) float64 {
	sum := 0.0
	for len(x) > 0 {
		n := min(len(x), 4*mostRows)
		sum += q.stretch(x[:n], s)
		x = x[n:]
	}
	return float64(sum * q.scale)
}

func (q *Quarters) stretch(x []float64, s *QuartersState) float64 {
	var sums [4]float64
	if rows := len(x) / 4; rows >= fewestRows {
		var states [4]QuartersState
		q.begin(x, rows, s, &states)
		if hasSIMD {
			quartersSIMD(&x[0], rows, &q.k, &states, &sums)
		} else {
			q.quarters(x, rows, &states, &sums)
		}
		*s = states[3]
		x = x[4*rows:]
	}
	q.frames(x, s, &sums[0])
	return (sums[0] + sums[1]) + (sums[2] + sums[3])
}

// begin stores the states in which each quarter begins.
func (q *Quarters) begin(x []float64, rows int, s *QuartersState, states *[4]QuartersState) {
	var ahead [3][4]float64
	if hasSIMD {
		aheadSIMD(&x[0], rows, &q.left[0][mostRows-rows], &ahead)
	} else {
		q.ahead(x, rows, &ahead)
	}
	d := &q.decay[rows]
	p1, p2, q1, q2 := s.First.S1, s.First.S2, s.Second.S1, s.Second.S2
	states[0] = *s
	for i := range ahead {
		a := &ahead[i]
		q1, q2 = a[2]+(float64(d[0][2]*p1)+float64(d[1][2]*p2))+(float64(d[2][2]*q1)+float64(d[3][2]*q2)),
			a[3]+(float64(d[0][3]*p1)+float64(d[1][3]*p2))+(float64(d[2][3]*q1)+float64(d[3][3]*q2))
		// The first section takes nothing from the second.
		p1, p2 = a[0]+(float64(d[0][0]*p1)+float64(d[1][0]*p2)), a[1]+(float64(d[0][1]*p1)+float64(d[1][1]*p2))
		states[i+1] = QuartersState{State{p1, p2}, State{q1, q2}}
	}
}

// ahead stores the states in which each of the first three quarters ends if it begins
// with states of 0. Four frames are taken at a time, the last of which may be the next
// quarter's, times 0; each of the four adds to a sum of its own.
func (q *Quarters) ahead(x []float64, rows int, ahead *[3][4]float64) {
	for i := range ahead {
		quarter := x[i*rows:]
		for j := range ahead[i] {
			var a, b, c, d float64
			for n, left := 0, q.left[j][mostRows-rows:]; n < rows; n += 4 {
				v, h := (*[4]float64)(quarter[n:]), (*[4]float64)(left[n:])
				a += float64(v[0] * h[0])
				b += float64(v[1] * h[1])
				c += float64(v[2] * h[2])
				d += float64(v[3] * h[3])
			}
			ahead[i][j] = (a + b) + (c + d)
		}
	}
}

// quarters runs each quarter from its states.
func (q *Quarters) quarters(x []float64, rows int, states *[4]QuartersState, sums *[4]float64) {
	for i := range states {
		q.frames(x[i*rows:][:rows], &states[i], &sums[i])
	}
}

// frames runs both sections frame by frame.
func (q *Quarters) frames(x []float64, s *QuartersState, sum *float64) {
	p1, p2, q1, q2 := s.First.S1, s.First.S2, s.Second.S1, s.Second.S2
	total := *sum
	for _, v := range x {
		w := v + p1
		p1, p2 = p2+float64(q.k[0][0]*v)-float64(q.k[2][0]*p1), float64(q.k[1][0]*v)-float64(q.k[3][0]*p1)
		v = w + q1
		q1, q2 = q2+float64(q.k[4][0]*w)-float64(q.k[6][0]*q1), float64(q.k[5][0]*w)-float64(q.k[7][0]*q1)
		total += float64(v * v)
	}
	s.First, s.Second = State{p1, p2}, State{q1, q2}
	*sum = total
}
