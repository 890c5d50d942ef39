package vector

// Squares adds the squares of samples to four sums, in turn: the first sample to
// sums[phase%4]. So the sums do not depend on how a sound is cut into pieces.
func Squares(x []float64, phase int, sums *[4]float64) {
	for len(x) > 0 && phase%4 != 0 {
		sums[phase%4] += float64(x[0] * x[0])
		x, phase = x[1:], phase+1
	}
	if n := len(x) / 4; hasAVX && n > 0 {
		squaresAVX(&x[0], n, sums)
		x = x[4*n:]
	}
	squares(x, sums)
}

func squares(x []float64, sums *[4]float64) {
	a, b, c, d := sums[0], sums[1], sums[2], sums[3]
	for ; len(x) >= 4; x = x[4:] {
		a += float64(x[0] * x[0])
		b += float64(x[1] * x[1])
		c += float64(x[2] * x[2])
		d += float64(x[3] * x[3])
	}
	*sums = [4]float64{a, b, c, d}
	for i, v := range x {
		sums[i] += float64(v * v)
	}
}
