package spectra

import "github.com/boothbench/boothbench/dsp/vector"

// Pair transforms two real sequences of one length at once: one as the real, the other as the
// imaginary parts of a complex sequence. With the transform Z of length n, the coefficients k
// of the two are (Z[k] + conj Z[n−k])/2 and (Z[k] − conj Z[n−k])/2i, so that sums of squares
// and products follow from Z without separating the two. The length is a power of two, and 8
// or more. Not safe for use by several goroutines at once.
type Pair struct{ fft *FFT }

// NewPair prepares transforms of two sequences of length values.
func NewPair(length int) Pair { return Pair{NewFFT(2 * length)} }

// fitsPair reports whether a Pair can have this length.
func fitsPair(length int) bool { return length >= 8 && length&(length-1) == 0 }

// First sets the first sequence, multiplied by a window, and Second the second; nil: zeros.
func (p Pair) First(window, x []float64)  { p.set(p.fft.a.Re, window, x) }
func (p Pair) Second(window, x []float64) { p.set(p.fft.a.Im, window, x) }

func (p Pair) set(to, window, x []float64) {
	if x == nil {
		clear(to)
		return
	}
	vector.Multiply(to, window, x)
}

// Transform returns Z, valid until the next call.
func (p Pair) Transform() vector.Planar { return p.fft.transform() }

// AddSquares adds |Z|² to sums. Sums[k] and sums[n−k] together are twice the squares of both
// sequences' coefficient k.
func (p Pair) AddSquares(sums []float64) {
	passes := p.fft.passes
	if p.fft.last == 2 {
		result, _ := p.fft.all(passes)
		vector.SquaresByTwo(sums, result)
		return
	}
	result, _ := p.fft.all(passes[:len(passes)-1])
	vector.SquaresByFour(sums, result)
}
