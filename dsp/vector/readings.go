package vector

import "math"

// Mirrored is a bank of interpolating rows in pairs of mirror images. With s_j and
// d_j the sum and the difference of the two samples at distance j from the middle of
// an interval, a row and its mirror image read E+O and E−O, where E = Σ a_j s_j and
// O = Σ b_j d_j; the larger magnitude of the two is |E|+|O|. Two such pairs lie side
// by side: Taps[group·Half + j] = {a, b, a′, b′}.
type Mirrored struct {
	Half int // samples on either side of an interval
	Taps [][4]float64
}

// Readings stores the largest |reading| of all rows over each of successive windows:
// out[i] is that of x[i : i+2·Half].
func (m *Mirrored) Readings(x, out []float64) {
	n := len(out)
	if n == 0 {
		return
	}
	x = x[:n-1+2*m.Half]
	if !hasAVX || n < 4 || len(m.Taps) == 0 {
		m.readings(x, out)
		return
	}
	groups := len(m.Taps) / m.Half
	readingsAVX(&m.Taps[0], m.Half, groups, &x[0], &out[0], n/4)
	if n%4 != 0 { // the last four once more, in part
		readingsAVX(&m.Taps[0], m.Half, groups, &x[n-4], &out[n-4], 1)
	}
}

func (m *Mirrored) readings(x, out []float64) {
	for i := range out {
		out[i] = m.Reading(x[i : i+2*m.Half])
	}
}

// Reading is the largest |reading| of all rows over a window of 2·Half samples.
func (m *Mirrored) Reading(window []float64) float64 {
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
