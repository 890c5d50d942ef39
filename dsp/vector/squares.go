package vector

// SumOfSquares is the sum of the squares. It is made of four partial sums, of every
// fourth sample each, so that additions do not wait for each other.
func SumOfSquares(x []float64) float64 {
	var sums [4]float64
	n := len(x) &^ 3
	if hasAVX && n > 0 {
		squaresAVX(&x[0], n/4, &sums)
	} else {
		squares(x[:n], &sums)
	}
	a := sums[0]
	for _, v := range x[n:] {
		a += float64(v * v)
	}
	return (a + sums[1]) + (sums[2] + sums[3])
}

func squares(x []float64, sums *[4]float64) {
	var a, b, c, d float64
	for k := 0; k < len(x); k += 4 {
		part := x[k : k+4 : k+4]
		a += float64(part[0] * part[0])
		b += float64(part[1] * part[1])
		c += float64(part[2] * part[2])
		d += float64(part[3] * part[3])
	}
	*sums = [4]float64{a, b, c, d}
}
