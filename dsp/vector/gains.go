package vector

// Scale stores samples times a gain, and the largest magnitude of each cell of a
// number of frames, a multiple of 8, of what it stored: NaN if one of them is NaN. It
// stores len(peaks) cells.
func Scale(to, from []float64, gain float64, cell int, peaks []float64) {
	n := len(peaks) * cell
	to, from = to[:n], from[:n]
	if n == 0 {
		return
	}
	if hasAVX {
		scaleAVX(&to[0], &from[0], gain, cell, &peaks[0], len(peaks))
		return
	}
	scale(to, from, gain, cell, peaks)
}

func scale(to, from []float64, gain float64, cell int, peaks []float64) {
	for i, v := range from {
		to[i] = v * gain
	}
	peaksOf(to, cell, peaks)
}

// Multiply stores the products of the samples of two planes.
func Multiply(to, a, b []float64) {
	n := len(to)
	a, b = a[:n], b[:n]
	if whole := n &^ 3; hasAVX && whole > 0 {
		multiplyAVX(&to[0], &a[0], &b[0], whole)
		to, a, b = to[whole:], a[whole:], b[whole:]
	}
	multiply(to, a, b)
}

func multiply(to, a, b []float64) {
	for i := range to {
		to[i] = a[i] * b[i]
	}
}

// MultiplyScaled multiplies samples by gains times a factor.
func MultiplyScaled(x, gain []float64, factor float64) {
	gain = gain[:len(x)]
	if whole := len(x) &^ 3; hasAVX && whole > 0 {
		multiplyScaledAVX(&x[0], &gain[0], factor, whole/4)
		x, gain = x[whole:], gain[whole:]
	}
	multiplyScaled(x, gain, factor)
}

// multiplyScaled is unrolled by four: the overhead of a loop is as large as the work of this
// one.
func multiplyScaled(x, gain []float64, factor float64) {
	for ; len(x) >= 4 && len(gain) >= 4; x, gain = x[4:], gain[4:] {
		x[0] *= gain[0] * factor
		x[1] *= gain[1] * factor
		x[2] *= gain[2] * factor
		x[3] *= gain[3] * factor
	}
	for i, g := range gain {
		x[i] *= g * factor
	}
}

// Lowest is the smallest of the gains and of known. NaN is ignored.
func Lowest(gain []float64, known float64) float64 {
	if whole := len(gain) &^ 3; hasAVX && whole > 0 {
		known = lowestAVX(&gain[0], whole/4, known)
		gain = gain[whole:]
	}
	return lowest(gain, known)
}

func lowest(gain []float64, known float64) float64 {
	for _, g := range gain {
		if g < known {
			known = g
		}
	}
	return known
}
