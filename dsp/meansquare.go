package dsp

// meanSquare is the mean square of a channel over a window weighted by a
// triangle: two equal moving averages in series.
//
// It is computed only at the end of every group of g frames, at a fraction of
// the cost and without error. A moving sum of N·g frames is a sum of g frames
// followed by a sum of N values g frames apart. The two in series are therefore
// a triangle of 2g − 1 frames, of which only every g-th value is needed,
// followed by two moving sums of N of these values. (The noble identity of
// decimation, as in Hogenauer, IEEE ASSP 29(2) 1981, 155, with sums that are
// recomputed instead of an integrator that drifts.)
type meanSquare struct {
	sum     float64 // of the squares of the current group
	falling float64 // the squares of the current group weighted g … 1
	rising  float64 // the squares of the previous group weighted 0 … g − 1
	wide    slidingTriangle
	scale   float64
	group   float64 // g
}

// newMeanSquare builds one over a window of 2·half groups.
func newMeanSquare(half, group int) meanSquare {
	length := float64(half) * float64(group)
	return meanSquare{wide: newSlidingTriangle(half), scale: 1 / (length * length), group: float64(group)}
}

// take adds frames to the current group.
func (m *meanSquare) take(x []float64) {
	sum, falling := m.sum, m.falling
	for _, v := range x {
		sum += float64(v * v)
		falling += sum
	}
	m.sum, m.falling = sum, falling
}

// takeBoth is take for two channels at a time; one's arithmetic fills the
// other's latency.
func takeBoth(l, r *meanSquare, x, y []float64) {
	sumL, fallingL := l.sum, l.falling
	sumR, fallingR := r.sum, r.falling
	y = y[:len(x)]
	for i, v := range x {
		w := y[i]
		sumL += float64(v * v)
		sumR += float64(w * w)
		fallingL += sumL
		fallingR += sumR
	}
	l.sum, l.falling = sumL, fallingL
	r.sum, r.falling = sumR, fallingR
}

// turn ends the current group and returns the mean square up to here.
func (m *meanSquare) turn() float64 {
	triangle := m.falling + m.rising
	m.rising = max(0, float64(m.group*m.sum)-m.falling)
	m.sum, m.falling = 0, 0
	return m.wide.next(triangle) * m.scale
}

func (m *meanSquare) reset() {
	m.sum, m.falling, m.rising = 0, 0, 0
	m.wide.reset()
}
