package spectra

import (
	"math"
)

// Hann is the periodic Hann window.
func Hann(length int) []float64 {
	w := make([]float64, length)
	for n := range w {
		w[n] = 0.5 - 0.5*math.Cos(2*math.Pi*float64(n)/float64(length))
	}
	return w
}

// sevenTerms are the coefficients of a sum of cosines with side lobes below
// −180 dB, none of them nearer than 7 bins (Albrecht, "A family of cosine-sum
// windows for high-resolution measurements", ICASSP 2001; a test measures the side
// lobes). A tone of full scale leaks less than any converter's noise into what
// is 7 bins away.
var sevenTerms = [...]float64{0.27105140069342, 0.43329793923448, 0.21812299954311, 0.06592544638803, 0.01081174209837, 0.00077658482522, 0.00001388721735}

// LobeBins is half the width of that window's main lobe.
const LobeBins = 7

// LowLeakage is the window over a length, in its periodic form.
func LowLeakage(length int) []float64 {
	w := make([]float64, length)
	for n := range w {
		for k, a := range sevenTerms {
			if k%2 == 1 {
				a = -a
			}
			// The argument is reduced as an integer, so that it stays exact.
			w[n] += a * math.Cos(2*math.Pi*float64(k*n%length)/float64(length))
		}
	}
	return w
}
