package vector

import "math"

// Mirrored is a bank of interpolating rows in pairs of mirror images. With s_j and
// d_j the sum and the difference of the two samples at distance j from the middle of
// an interval, a row and its mirror image read E+O and E−O, where E = Σ a_j s_j and
// O = Σ b_j d_j; the larger magnitude of the two is |E|+|O|. Two such pairs lie side
// by side: Taps[group·Half + j] = {a, b, a′, b′}.
type Mirrored struct {
	Half   int // samples on either side of an interval
	groups int
	Taps   [][4]float64
	most   [][2]float64 // by j, the largest |a| and the largest |b|
}

// margin covers the rounding of readings and bounds: of fewer than 1000 terms each, at
// 2^-53 a term.
const margin = 1 + 1e-12

// NewMirrored is a bank of whole groups of taps.
func NewMirrored(half int, taps [][4]float64) *Mirrored {
	m := &Mirrored{half, len(taps) / half, taps, make([][2]float64, half)}
	for i, h := range taps {
		most := &m.most[i%half]
		most[0] = max(most[0], math.Abs(h[0])*margin, math.Abs(h[2])*margin)
		most[1] = max(most[1], math.Abs(h[1])*margin, math.Abs(h[3])*margin)
	}
	return m
}

// Readings stores the largest |reading| of all rows over each of successive windows:
// out[i] is that of x[i : i+2·Half].
func (m *Mirrored) Readings(x, out []float64) {
	n := len(out)
	if n == 0 {
		return
	}
	x = x[:n-1+2*m.Half]
	if !hasSIMD || len(m.Taps) == 0 {
		m.readings(x, out)
		return
	}
	if n < 4 {
		for i := range out {
			out[i] = m.Reading(x[i : i+2*m.Half])
		}
		return
	}
	readingsSIMD(&m.Taps[0], m.Half, m.groups, &x[0], &out[0], n/4)
	if n%4 != 0 { // the last four once more, in part
		readingsSIMD(&m.Taps[0], m.Half, m.groups, &x[n-4], &out[n-4], 1)
	}
}

func (m *Mirrored) readings(x, out []float64) {
	for i := range out {
		out[i] = m.reading(x[i : i+2*m.Half])
	}
}

// Reading is the largest |reading| of all rows over a window of 2·Half samples. With AVX it
// takes a quarter of the time of four windows.
func (m *Mirrored) Reading(window []float64) float64 {
	window = window[:2*m.Half]
	if hasAVX && len(m.Taps) > 0 {
		return readingAVX(&m.Taps[0], m.Half, m.groups, &window[0])
	}
	return m.reading(window)
}

func (m *Mirrored) reading(window []float64) float64 {
	half := m.Half
	early, late := window[:half], window[half:2*half]
	var peak float64
	for taps := m.Taps; len(taps) >= half; taps = taps[half:] {
		var e0, o0, e1, o1 float64
		group := taps[:half]
		for j := range group {
			h := &group[j]
			first, second := early[half-1-j], late[j]
			s, d := first+second, first-second
			e0 += float64(h[0] * s)
			o0 += float64(h[1] * d)
			e1 += float64(h[2] * s)
			o1 += float64(h[3] * d)
		}
		if y := math.Abs(e0) + math.Abs(o0); y > peak {
			peak = y
		}
		if y := math.Abs(e1) + math.Abs(o1); y > peak {
			peak = y
		}
	}
	return peak
}

// Bounds stores an upper bound of the readings of each of successive windows: Σ max|a_j| |s_j|
// + max|b_j| |d_j|. It costs little more than half of Readings, and far less for banks of more
// than one group. Of eight windows whose sums over the near nearest pairs of samples are all at
// most enough, it stores those sums, which costs less still.
func (m *Mirrored) Bounds(x, out []float64, near int, enough float64) {
	n := len(out)
	if n == 0 {
		return
	}
	x = x[:n-1+2*m.Half]
	if near < 1 || near >= m.Half {
		panic("vector: Mirrored.Bounds: the nearest pairs are not a part of all")
	}
	if !hasSIMD || n < 8 {
		m.bounds(x, out, near, enough)
		return
	}
	boundsSIMD(&m.most[0], near, m.Half, &x[0], &out[0], n/8, enough)
	if n%8 != 0 { // the last eight once more, in part
		boundsSIMD(&m.most[0], near, m.Half, &x[n-8], &out[n-8], 1, enough)
	}
}

func (m *Mirrored) bounds(x, out []float64, near int, enough float64) {
	bound := func(from, to, pairs int) (largest float64) {
		for i := from; i < to; i++ {
			early, late := x[i:i+m.Half], x[i+m.Half:i+2*m.Half]
			var even, odd float64
			for j := range m.most[:pairs] {
				first, second := early[m.Half-1-j], late[j]
				even += float64(m.most[j][0] * math.Abs(first+second))
				odd += float64(m.most[j][1] * math.Abs(first-second))
			}
			out[i] = even + odd
			largest = max(largest, out[i]) // NaN if one is
		}
		return largest
	}
	for from := 0; from < len(out); from += 8 {
		from = max(0, min(from, len(out)-8))
		to := min(len(out), from+8)
		if !(bound(from, to, near) <= enough) {
			bound(from, to, m.Half)
		}
	}
}
