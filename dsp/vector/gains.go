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
