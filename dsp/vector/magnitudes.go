package vector

import "math"

// Magnitude is the bits of |x|, which have the same order as the numbers.
func Magnitude(x float64) uint64 { return math.Float64bits(x) &^ (1 << 63) }

// Magnitudes stores for each frame the larger magnitude of two planes, and returns the
// largest of all. Infinity is larger than any number, and NaN than infinity.
func Magnitudes(to []uint64, x, y []float64) (largest uint64) {
	x, y = x[:len(to)], y[:len(to)]
	if whole := len(to) &^ 3; hasAVX2 && whole > 0 {
		largest = magnitudesAVX2(&to[0], &x[0], &y[0], whole/4)
		to, x, y = to[whole:], x[whole:], y[whole:]
	}
	return max(largest, magnitudes(to, x, y))
}

func magnitudes(to []uint64, x, y []float64) (largest uint64) {
	for i := range to {
		v := max(Magnitude(x[i]), Magnitude(y[i]))
		to[i] = v
		largest = max(largest, v)
	}
	return largest
}

// Exchange exchanges the samples of two planes of the same length.
func Exchange(x, y []float64) {
	y = y[:len(x)]
	if whole := len(x) &^ 3; hasAVX && whole > 0 {
		exchangeAVX(&x[0], &y[0], whole/4)
		x, y = x[whole:], y[whole:]
	}
	exchange(x, y)
}

func exchange(x, y []float64) {
	for i := range x {
		x[i], y[i] = y[i], x[i]
	}
}
