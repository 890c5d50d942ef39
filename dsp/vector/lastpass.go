package vector

// SquaresByFour is the last pass of a Fourier transform, of radix 4 with factors that are all
// 1, that stores no results: it adds the square of each result's modulus to sums.
func SquaresByFour(sums []float64, from Planar) {
	n := len(from.Re) &^ 3
	sums, from = sums[:n], from.cut(n)
	if quarter := n / 4; hasAVX && quarter > 0 && quarter%4 == 0 {
		squaresByFourAVX(&sums[0], &from.Re[0], &from.Im[0], quarter)
		return
	}
	squaresByFour(sums, from)
}

func squaresByFour(sums []float64, from Planar) {
	quarter := len(from.Re) / 4
	for j := range quarter {
		k, l, m := j+quarter, j+2*quarter, j+3*quarter
		sumR, sumI, leftR, leftI := from.Re[j]+from.Re[l], from.Im[j]+from.Im[l], from.Re[j]-from.Re[l], from.Im[j]-from.Im[l]
		otherR, otherI, rightR, rightI := from.Re[k]+from.Re[m], from.Im[k]+from.Im[m], from.Re[k]-from.Re[m], from.Im[k]-from.Im[m]
		sums[j] += squareOf(sumR+otherR, sumI+otherI)
		sums[k] += squareOf(leftR+rightI, leftI-rightR)
		sums[l] += squareOf(sumR-otherR, sumI-otherI)
		sums[m] += squareOf(leftR-rightI, leftI+rightR)
	}
}

// SquaresByTwo is SquaresByFour with a radix of 2.
func SquaresByTwo(sums []float64, from Planar) {
	n := len(from.Re) &^ 1
	sums, from = sums[:n], from.cut(n)
	if half := n / 2; hasAVX && half > 0 && half%4 == 0 {
		squaresByTwoAVX(&sums[0], &from.Re[0], &from.Im[0], half)
		return
	}
	squaresByTwo(sums, from)
}

func squaresByTwo(sums []float64, from Planar) {
	half := len(from.Re) / 2
	for j := range half {
		k := j + half
		sums[j] += squareOf(from.Re[j]+from.Re[k], from.Im[j]+from.Im[k])
		sums[k] += squareOf(from.Re[j]-from.Re[k], from.Im[j]-from.Im[k])
	}
}

func squareOf(re, im float64) float64 { return float64(re*re) + float64(im*im) }

// LastByTwo is the last pass with a radix of 2.
func LastByTwo(to, from Planar) {
	n := len(from.Re) &^ 1
	to, from = to.cut(n), from.cut(n)
	if half := n / 2; hasAVX && half > 0 && half%4 == 0 {
		lastByTwoAVX(&to.Re[0], &from.Re[0], half)
		lastByTwoAVX(&to.Im[0], &from.Im[0], half)
		return
	}
	lastByTwo(to.Re, from.Re)
	lastByTwo(to.Im, from.Im)
}

func lastByTwo(to, from []float64) {
	half := len(from) / 2
	a, b := from[:half], from[half:2*half]
	sums, differences := to[:half], to[half:2*half]
	for j := range a {
		sums[j], differences[j] = a[j]+b[j], a[j]-b[j]
	}
}
