package spectra

import (
	"math"
	"slices"
	"sync"
)

// keptWindows is the cache of Hann windows by length, for powers of two up to
// mostKeptLength.
var keptWindows sync.Map

// Hann is the periodic Hann window. It takes a cosine every turnedFrames frames and turns it on
// from there; each half is the other's mirror image.
func Hann(length int) []float64 {
	if kept, ok := keptWindows.Load(length); ok {
		return slices.Clone(kept.([]float64))
	}
	w := make([]float64, length)
	angle := func(n int) float64 { return 2 * math.Pi * float64(n) / float64(length) }
	var sin, cos [turnedFrames]float64
	for j := range sin {
		sin[j], cos[j] = math.Sincos(angle(j))
	}
	for from := 0; from <= length/2 && from < length; from += turnedFrames {
		s, c := math.Sincos(angle(from))
		part := w[from:min(length/2+1, length, from+turnedFrames)]
		for j := range part {
			part[j] = 0.5 - float64(0.5*(float64(c*cos[j])-float64(s*sin[j])))
		}
	}
	for n := length/2 + 1; n < length; n++ {
		w[n] = w[length-n]
	}
	if length&(length-1) == 0 && length <= mostKeptLength {
		keptWindows.Store(length, slices.Clone(w))
	}
	return w
}

const turnedFrames = 64

// sevenTerms are the coefficients of a sum of cosines with side lobes below
// −180 dB, none of them nearer than 7 bins (Albrecht, "A family of cosine-sum
// windows for high-resolution measurements", ICASSP 2001; a test measures the side
// lobes). A tone of full scale leaks less than any converter's noise into what
// is 7 bins away.
var sevenTerms = [...]float64{0.27105140069342, 0.43329793923448, 0.21812299954311, 0.06592544638803, 0.01081174209837, 0.00077658482522, 0.00001388721735}

// LobeBins is half the width of that window's main lobe.
const LobeBins = 7

// LowLeakage is the window over a length, in its periodic form: the sum of
// (-1)^k a_k cos(2*pi*k*n/length). The sum takes one cosine a frame, by the
// recurrence cos(k*x) = 2 cos(x) cos((k-1)*x) - cos((k-2)*x) (Clenshaw, "A note on
// the summation of Chebyshev series", MTAC 9, 1955), and each half is the other's
// mirror image.
func LowLeakage(length int) []float64 {
	w := make([]float64, length)
	for n := 0; n <= length/2; n++ {
		x := -math.Cos(2 * math.Pi * float64(n) / float64(length)) // the minus makes the signs alternate
		var next, afterNext float64
		for k := len(sevenTerms) - 1; k > 0; k-- {
			next, afterNext = sevenTerms[k]+2*x*next-afterNext, next
		}
		w[n] = sevenTerms[0] + x*next - afterNext
		if n > 0 {
			w[length-n] = w[n]
		}
	}
	return w
}
