package vector

import "math"

// Peaks stores the largest |sample| of each cell of a number of frames, a multiple
// of 8: out[k] is that of x[k·cell : (k+1)·cell], NaN if one of them is NaN.
func Peaks(x []float64, cell int, out []float64) {
	x = x[:len(out)*cell]
	if len(x) == 0 {
		return
	}
	if hasAVX {
		peaksAVX(&x[0], cell, &out[0], len(out))
		return
	}
	peaks(x, cell, out)
}

func peaks(x []float64, cell int, out []float64) {
	for k := range out {
		out[k] = Peak(x[k*cell : (k+1)*cell])
	}
}

// Peak is the largest |sample|, NaN if one is NaN.
func Peak(x []float64) float64 {
	var a, b uint64
	for ; len(x) >= 2; x = x[2:] {
		a, b = max(a, magnitude(x[0])), max(b, magnitude(x[1]))
	}
	for _, v := range x {
		a = max(a, magnitude(v))
	}
	return math.Float64frombits(max(a, b))
}

// Bends stores the largest |second difference| of each cell of a number of frames, a
// multiple of 4: out[k] is that of x[n+2] − 2x[n+1] + x[n] for n from k·cell to
// (k+1)·cell−1. So x is two frames longer than the cells. With NaN or infinite
// samples it is any number.
func Bends(x []float64, cell int, out []float64) {
	if len(out) == 0 {
		return
	}
	x = x[:len(out)*cell+2]
	if hasAVX {
		bendsAVX(&x[0], cell, &out[0], len(out))
		return
	}
	bends(x, cell, out)
}

func bends(x []float64, cell int, out []float64) {
	for k := range out {
		out[k] = Bend(x[k*cell : (k+1)*cell+2])
	}
}

// Bend is the largest |second difference|.
func Bend(x []float64) float64 {
	if len(x) < 3 {
		return 0
	}
	var a, b uint64
	before := x[1]
	step := before - x[0]
	for x = x[2:]; len(x) >= 2; x = x[2:] {
		c, d := x[0], x[1]
		now, next := c-before, d-c
		a, b = max(a, magnitude(now-step)), max(b, magnitude(next-now))
		before, step = d, next
	}
	for _, c := range x {
		a = max(a, magnitude(c-before-step))
	}
	return math.Float64frombits(max(a, b))
}

// magnitude is a number's bits without the sign, which order as the magnitudes do.
func magnitude(v float64) uint64 { return math.Float64bits(v) &^ (1 << 63) }
