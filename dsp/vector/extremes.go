package vector

import "math"

// Peaks stores the largest |sample| of each cell of a number of frames, a multiple
// of 8: out[k] is that of x[k·cell : (k+1)·cell], NaN if one of them is NaN.
func Peaks(x []float64, cell int, out []float64) {
	x = x[:len(out)*cell]
	if len(x) == 0 {
		return
	}
	if hasSIMD {
		peaksSIMD(&x[0], cell, &out[0], len(out))
		return
	}
	peaksOf(x, cell, out)
}

func peaksOf(x []float64, cell int, out []float64) {
	for k := range out {
		out[k] = peak(x[k*cell : (k+1)*cell])
	}
}

// Peak is the largest |sample|, NaN if one is NaN.
func Peak(x []float64) float64 {
	if whole := len(x) &^ 7; hasSIMD && whole > 0 {
		var most float64
		peaksSIMD(&x[0], whole, &most, 1)
		return math.Float64frombits(max(magnitude(most), magnitude(peak(x[whole:]))))
	}
	return peak(x)
}

func peak(x []float64) float64 {
	var a, b uint64
	for ; len(x) >= 2; x = x[2:] {
		a, b = max(a, magnitude(x[0])), max(b, magnitude(x[1]))
	}
	for _, v := range x {
		a = max(a, magnitude(v))
	}
	return math.Float64frombits(max(a, b))
}

// Curvature is the largest |second difference|, x[n+2] − 2x[n+1] + x[n], 0 of fewer than
// three samples. With NaN or infinite samples the result is undefined.
func Curvature(x []float64) float64 {
	if whole := (len(x) - 2) &^ 3; hasSIMD && whole > 0 {
		return max(curvatureSIMD(&x[0], whole), curvature(x[whole:]))
	}
	return curvature(x)
}

func curvature(x []float64) float64 {
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

// Over returns which of up to 32 samples have a magnitude over a value: bit i is x[i].
func Over(x []float64, value float64) (samples uint32) {
	if n := len(x) &^ 3; hasAVX && n > 0 {
		return overAVX(&x[0], n/4, value) | over(x[n:], value)<<n
	}
	return over(x, value)
}

func over(x []float64, value float64) (samples uint32) {
	for i, v := range x {
		if math.Abs(v) > value {
			samples |= 1 << i
		}
	}
	return samples
}

// magnitude is a number's bits without the sign, which order as the magnitudes do.
func magnitude(v float64) uint64 { return math.Float64bits(v) &^ (1 << 63) }
