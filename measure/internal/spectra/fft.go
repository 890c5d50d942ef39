package spectra

import (
	"math"
	"sync"

	"gonum.org/v1/gonum/dsp/fourier"

	"github.com/boothbench/boothbench/dsp/vector"
)

// FFT is the discrete Fourier transform of real sequences of one length, with the
// results of gonum's fourier.FFT. Lengths of FastLength take a fraction of its time, with
// passes of radix 4 in Stockham's order, and real and imaginary parts in separate slices
// (Stockham, "High-speed convolution and correlation", 1966; Van Loan, "Computational
// Frameworks for the Fast Fourier Transform", 1992, 1.7). Not safe for use by
// several goroutines at once.
type FFT struct {
	other  *fourier.FFT // for other lengths than those of FastLength, else nil
	length int
	*factors
	a, b vector.Planar // of half the length
}

// factors are the twiddle factors of one length, shared by its transforms.
type factors struct {
	first  [3]vector.Planar // of the first pass, whose stride is 1: by group, e^(−2πijk/n), j from 1
	passes []pass           // those that follow
	last   int              // radix of the last pass, whose factors are 1; 1: none
	turn   vector.Planar    // e^(−2πik/length), up to a quarter of the length
}

// pass is a step of the transform with a radix of 4.
type pass struct {
	stride int
	turns  []vector.Turns // by group
}

// mostKeptLength is the largest length whose factors are cached. All lengths together take
// 8 MiB.
const mostKeptLength = 1 << 17

// keptFactors is the cache of factors by length.
var keptFactors sync.Map

// NewFFT prepares transforms of length real values.
func NewFFT(length int) *FFT {
	f := &FFT{length: length}
	if length != FastLength(length) {
		f.other = fourier.NewFFT(length)
		return f
	}
	f.a, f.b = vector.NewPlanar(length/2), vector.NewPlanar(length/2)
	if kept, ok := keptFactors.Load(length); ok {
		f.factors = kept.(*factors)
		return f
	}
	f.factors = newFactors(length)
	if length <= mostKeptLength {
		keptFactors.Store(length, f.factors)
	}
	return f
}

func newFactors(length int) *factors {
	f := &factors{turn: vector.NewPlanar(length/4 + 1)}
	for k := range f.turn.Re {
		f.turn.Im[k], f.turn.Re[k] = math.Sincos(-2 * math.Pi * float64(k) / float64(length))
	}
	n := length / 2
	turn := func(j, k int) (re, im float64) {
		im, re = math.Sincos(-2 * math.Pi * float64(j*k) / float64(n))
		return re, im
	}
	for j := range f.first {
		f.first[j] = vector.NewPlanar(n / 4)
		for k := range n / 4 {
			f.first[j].Re[k], f.first[j].Im[k] = turn(j+1, k)
		}
	}
	stride := 4
	for n /= 4; n%4 == 0; n, stride = n/4, stride*4 {
		p := pass{stride: stride, turns: make([]vector.Turns, n/4)}
		for k := range p.turns {
			w := &p.turns[k]
			w.Re1, w.Im1 = turn(1, k)
			w.Re2, w.Im2 = turn(2, k)
			w.Re3, w.Im3 = turn(3, k)
		}
		f.passes = append(f.passes, p)
	}
	f.last = n
	return f
}

// FastLength is the smallest length from least on whose transform is fast: 4, 6, 8 or 10
// times a power of four, and 16 or more.
func FastLength(least int) int {
	for fours := 4; ; fours *= 4 {
		for _, radix := range [...]int{2, 3, 4, 5} {
			if length := 2 * radix * fours; length >= least {
				return length
			}
		}
	}
}

// SameFFT is another transform of the same length, for another goroutine.
func SameFFT(f *FFT) *FFT {
	if f.other != nil {
		return NewFFT(f.length)
	}
	return &FFT{length: f.length, factors: f.factors, a: vector.NewPlanar(f.length / 2), b: vector.NewPlanar(f.length / 2)}
}

// Len is the length of the sequences.
func (f *FFT) Len() int { return f.length }

// Coefficients returns the length/2 + 1 coefficients of a sequence, unscaled. It uses dst if
// that is not nil.
func (f *FFT) Coefficients(dst []complex128, x []float64) []complex128 {
	if f.other != nil {
		return f.other.Coefficients(dst, x)
	}
	return f.coefficients(dst, nil, x)
}

// coefficients is Windowed of a length that is our own; the window may be nil.
func (f *FFT) coefficients(dst []complex128, window, x []float64) []complex128 {
	if dst == nil {
		dst = make([]complex128, f.length/2+1)
	}
	vector.Split(f.a, window, x)
	vector.Unravel(dst, f.transform(), f.turn)
	return dst
}

// Windowed returns the coefficients of a sequence multiplied by a window.
func (f *FFT) Windowed(dst []complex128, window, x []float64) []complex128 {
	if f.other == nil {
		return f.coefficients(dst, window, x)
	}
	work := make([]float64, f.length)
	vector.Multiply(work, window, x)
	return f.other.Coefficients(dst, work)
}

// Sequence is the inverse: it returns the sequence with these coefficients, multiplied by its
// length. It uses dst if that is not nil.
func (f *FFT) Sequence(dst []float64, bins []complex128) []float64 {
	if f.other != nil {
		return f.other.Sequence(dst, bins)
	}
	half := f.length / 2
	if dst == nil {
		dst = make([]float64, f.length)
	}
	// Swapping real and imaginary parts makes the transform the inverse.
	f.a.Im[0], f.a.Re[0] = real(bins[0])+real(bins[half]), real(bins[0])-real(bins[half])
	for k := 1; k <= half/2; k++ {
		j := half - k
		x, y := bins[k], bins[j]
		evenR, evenI := real(x)+real(y), imag(x)-imag(y)
		dr, di := real(x)-real(y), imag(x)+imag(y)
		oddR, oddI := dr*f.turn.Re[k]+di*f.turn.Im[k], di*f.turn.Re[k]-dr*f.turn.Im[k]
		f.a.Im[k], f.a.Re[k] = evenR-oddI, evenI+oddR
		f.a.Im[j], f.a.Re[j] = evenR+oddI, oddR-evenI
	}
	z := f.transform()
	for n := range z.Re {
		dst[2*n], dst[2*n+1] = z.Im[n], z.Re[n]
	}
	return dst
}

// transform transforms a, and returns the slice that holds the result.
func (f *FFT) transform() vector.Planar {
	from, to := f.all(f.passes)
	switch half := len(from.Re); f.last {
	case 2:
		vector.LastByTwo(to, from)
	case 3:
		byThree(to, from, half/3)
	case 5:
		byFive(to, from, half/5)
	default:
		return from
	}
	return to
}

// all does passes, after the first one. It returns the slice that holds the result, and the
// other one.
func (f *FFT) all(passes []pass) (result, other vector.Planar) {
	from, to := f.b, f.a
	vector.FirstByFour(from, to, f.first)
	for _, p := range passes {
		vector.ByFour(to, from, p.turns, p.stride)
		from, to = to, from
	}
	return from, to
}

// byThree is the last pass with a radix of 3.
func byThree(to, from vector.Planar, third int) {
	sin := math.Sqrt(3) / 2
	for j := range third {
		k, l := j+third, j+2*third
		sumR, sumI := from.Re[k]+from.Re[l], from.Im[k]+from.Im[l]
		acrossR, acrossI := sin*(from.Re[k]-from.Re[l]), sin*(from.Im[k]-from.Im[l])
		midR, midI := from.Re[j]-sumR/2, from.Im[j]-sumI/2
		to.Re[j], to.Im[j] = from.Re[j]+sumR, from.Im[j]+sumI
		to.Re[k], to.Im[k] = midR+acrossI, midI-acrossR
		to.Re[l], to.Im[l] = midR-acrossI, midI+acrossR
	}
}

// byFive is the same with a radix of 5.
func byFive(to, from vector.Planar, fifth int) {
	sin1, cos1 := math.Sincos(2 * math.Pi / 5)
	sin2, cos2 := math.Sincos(4 * math.Pi / 5)
	for n := range fifth {
		i, j, k, l := n+fifth, n+2*fifth, n+3*fifth, n+4*fifth
		r, m := from.Re[n], from.Im[n]
		outR, outI := from.Re[i]+from.Re[l], from.Im[i]+from.Im[l] // of the outer two, and of the inner two
		inR, inI := from.Re[j]+from.Re[k], from.Im[j]+from.Im[k]
		outDR, outDI := from.Re[i]-from.Re[l], from.Im[i]-from.Im[l]
		inDR, inDI := from.Re[j]-from.Re[k], from.Im[j]-from.Im[k]
		oneR, oneI := r+cos1*outR+cos2*inR, m+cos1*outI+cos2*inI
		twoR, twoI := r+cos2*outR+cos1*inR, m+cos2*outI+cos1*inI
		turnR, turnI := sin1*outDR+sin2*inDR, sin1*outDI+sin2*inDI
		backR, backI := sin2*outDR-sin1*inDR, sin2*outDI-sin1*inDI
		to.Re[n], to.Im[n] = r+outR+inR, m+outI+inI
		to.Re[i], to.Im[i] = oneR+turnI, oneI-turnR
		to.Re[l], to.Im[l] = oneR-turnI, oneI+turnR
		to.Re[j], to.Im[j] = twoR+backI, twoI-backR
		to.Re[k], to.Im[k] = twoR-backI, twoI+backR
	}
}
