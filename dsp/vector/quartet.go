package vector

import "math"

// Quartet runs up to four sections over the same sound, each for itself, and leaves the
// sound as it is: of what each section puts out, the sum of squares and the largest
// magnitude are kept.
type Quartet struct{ b0, c1, c2, a1, a2 [4]float64 } // as assembly takes them

// QuartetState is what a Quartet keeps of one plane.
type QuartetState struct{ S1, S2, Squares, Peaks [4]float64 }

// NewQuartet makes it of one to four sections.
func NewQuartet(sections []Section) *Quartet {
	q := new(Quartet)
	for i, k := range sections {
		q.b0[i], q.c1[i], q.c2[i], q.a1[i], q.a2[i] = k.B0, k.C1, k.C2, k.A1, k.A2
	}
	return q
}

// Read runs the sections over x.
func (q *Quartet) Read(x []float64, s *QuartetState) {
	if hasAVX && len(x) > 0 {
		quartetAVX(&x[0], len(x), q, s)
		return
	}
	q.read(x, s)
}

// read is what assembly does, lane by lane.
func (q *Quartet) read(x []float64, s *QuartetState) {
	for i := range q.b0 {
		k := Section{q.b0[i], q.c1[i], q.c2[i], q.a1[i], q.a2[i]}
		p1, p2, squares, peak := s.S1[i], s.S2[i], s.Squares[i], s.Peaks[i]
		for _, v := range x {
			v, p1, p2 = k.step(v, p1, p2)
			squares += float64(v * v)
			if v = math.Abs(v); !(peak > v) {
				peak = v
			}
		}
		s.S1[i], s.S2[i], s.Squares[i], s.Peaks[i] = p1, p2, squares, peak
	}
}
