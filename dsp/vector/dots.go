package vector

// Dots4 are the sums of products of a sound with four rows of at least its length, each
// in four interleaved sums that are added at the end.
func Dots4(x, a, b, c, d []float64) (sums [4]float64) {
	if whole := len(x) / 4; hasSIMD && whole > 0 {
		n := len(x)
		a, b, c, d = a[:n], b[:n], c[:n], d[:n]
		dots4SIMD(&x[0], &a[0], &b[0], &c[0], &d[0], whole, &sums)
		for j := 4 * whole; j < n; j++ {
			sums[0] += float64(a[j] * x[j])
			sums[1] += float64(b[j] * x[j])
			sums[2] += float64(c[j] * x[j])
			sums[3] += float64(d[j] * x[j])
		}
		return sums
	}
	return [4]float64{dot(x, a), dot(x, b), dot(x, c), dot(x, d)}
}

// Dots2 are the same with two rows.
func Dots2(x, a, b []float64) (sums [2]float64) {
	if whole := len(x) / 4; hasSIMD && whole > 0 {
		n := len(x)
		a, b = a[:n], b[:n]
		dots2SIMD(&x[0], &a[0], &b[0], whole, &sums)
		for j := 4 * whole; j < n; j++ {
			sums[0] += float64(a[j] * x[j])
			sums[1] += float64(b[j] * x[j])
		}
		return sums
	}
	return [2]float64{dot(x, a), dot(x, b)}
}

func dot(x, row []float64) float64 {
	row = row[:len(x)]
	whole := len(x) &^ 3
	var s0, s1, s2, s3 float64
	for j := 0; j < whole; j += 4 {
		s0 += float64(row[j] * x[j])
		s1 += float64(row[j+1] * x[j+1])
		s2 += float64(row[j+2] * x[j+2])
		s3 += float64(row[j+3] * x[j+3])
	}
	sum := (s0 + s1) + (s2 + s3)
	for j := whole; j < len(x); j++ {
		sum += float64(row[j] * x[j])
	}
	return sum
}
