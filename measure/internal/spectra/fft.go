package spectra

import (
	"math"

	"gonum.org/v1/gonum/dsp/fourier"
)

// FFT is the discrete Fourier transform of real sequences of one length, with the
// results of gonum's fourier.FFT. Powers of two take less than half of its time: they
// go through passes of radix 4 in Stockham's order, with real and imaginary parts apart
// (Stockham, "High-speed convolution and correlation", 1966; Van Loan, "Computational
// Frameworks for the Fast Fourier Transform", 1992, 1.7). Not for use by two
// goroutines at a time.
type FFT struct {
	other  *fourier.FFT // of lengths that are no powers of two, nil for those that are
	length int
	passes []pass
	a, b   planar // of half the length
	turn   planar // e^(−2πik/length): from half the length to all of it
}

type planar struct{ re, im []float64 }

func newPlanar(n int) planar { return planar{make([]float64, n), make([]float64, n)} }

// pass is a step of the transform: radix 4 or, for the last one, 2.
type pass struct {
	radix  int
	stride int
	groups int
	turns  [3]planar // by group: e^(−2πijk/n), j from 1
}

// leastOwnLength is the length from which on the own transform is faster.
const leastOwnLength = 16

// NewFFT prepares transforms of a length.
func NewFFT(length int) *FFT {
	f := &FFT{length: length}
	if length < leastOwnLength || length&(length-1) != 0 {
		f.other = fourier.NewFFT(length)
		return f
	}
	half := length / 2
	f.a, f.b, f.turn = newPlanar(half), newPlanar(half), newPlanar(half/2+1)
	for k := range f.turn.re {
		f.turn.im[k], f.turn.re[k] = math.Sincos(-2 * math.Pi * float64(k) / float64(length))
	}
	for n, stride := half, 1; n > 1; {
		p := pass{radix: 4, stride: stride}
		if n == 2 {
			p.radix = 2
		}
		p.groups = n / p.radix
		for j := range p.radix - 1 {
			p.turns[j] = newPlanar(p.groups)
			for k := range p.groups {
				p.turns[j].im[k], p.turns[j].re[k] = math.Sincos(-2 * math.Pi * float64((j+1)*k) / float64(n))
			}
		}
		f.passes = append(f.passes, p)
		n, stride = n/p.radix, stride*p.radix
	}
	return f
}

// Len is the length of the sequences.
func (f *FFT) Len() int { return f.length }

// Coefficients are the length/2 + 1 coefficients of a sequence, unscaled, in dst if
// it is not nil.
func (f *FFT) Coefficients(dst []complex128, x []float64) []complex128 {
	if f.other != nil {
		return f.other.Coefficients(dst, x)
	}
	half := f.length / 2
	if dst == nil {
		dst = make([]complex128, half+1)
	}
	re, im := f.a.re, f.a.im[:len(f.a.re)]
	x = x[:2*len(re)]
	for n := range re {
		re[n], im[n] = x[2*n], x[2*n+1]
	}
	z := f.transform()
	dst[0], dst[half] = complex(z.re[0]+z.im[0], 0), complex(z.re[0]-z.im[0], 0)
	for k := 1; k <= half/2; k++ {
		j := half - k
		// Of the even and of the odd frames.
		evenR, evenI := 0.5*(z.re[k]+z.re[j]), 0.5*(z.im[k]-z.im[j])
		oddR, oddI := 0.5*(z.im[k]+z.im[j]), -0.5*(z.re[k]-z.re[j])
		tr, ti := oddR*f.turn.re[k]-oddI*f.turn.im[k], oddR*f.turn.im[k]+oddI*f.turn.re[k]
		dst[k], dst[j] = complex(evenR+tr, evenI+ti), complex(evenR-tr, ti-evenI)
	}
	return dst
}

// Sequence is the sequence with some coefficients, times its length, in dst if it is
// not nil.
func (f *FFT) Sequence(dst []float64, bins []complex128) []float64 {
	if f.other != nil {
		return f.other.Sequence(dst, bins)
	}
	half := f.length / 2
	if dst == nil {
		dst = make([]float64, f.length)
	}
	// Real and imaginary parts change places, which makes it the inverse.
	f.a.im[0], f.a.re[0] = real(bins[0])+real(bins[half]), real(bins[0])-real(bins[half])
	for k := 1; k <= half/2; k++ {
		j := half - k
		x, y := bins[k], bins[j]
		evenR, evenI := real(x)+real(y), imag(x)-imag(y)
		dr, di := real(x)-real(y), imag(x)+imag(y)
		oddR, oddI := dr*f.turn.re[k]+di*f.turn.im[k], di*f.turn.re[k]-dr*f.turn.im[k]
		f.a.im[k], f.a.re[k] = evenR-oddI, evenI+oddR
		f.a.im[j], f.a.re[j] = evenR+oddI, oddR-evenI
	}
	z := f.transform()
	for n := range z.re {
		dst[2*n], dst[2*n+1] = z.im[n], z.re[n]
	}
	return dst
}

// transform transforms what is in a, and returns where the result is.
func (f *FFT) transform() planar {
	from, to := f.a, f.b
	for i := range f.passes {
		switch p := &f.passes[i]; {
		case p.radix == 2:
			p.byTwo(from, to)
		case p.stride == 1:
			p.firstByFour(from, to)
		default:
			p.byFour(from, to)
		}
		from, to = to, from
	}
	return from
}

// byTwo is the last pass, of a single group.
func (p *pass) byTwo(from, to planar) {
	s := p.stride
	ar, ai, br, bi := from.re[:s], from.im[:s], from.re[s:2*s], from.im[s:2*s]
	for j := range ar {
		to.re[j], to.re[s+j] = ar[j]+br[j], ar[j]-br[j]
		to.im[j], to.im[s+j] = ai[j]+bi[j], ai[j]-bi[j]
	}
}

// firstByFour is byFour with a stride of 1.
func (p *pass) firstByFour(from, to planar) {
	q := p.groups
	ar, ai := from.re[:q], from.im[:q]
	br, bi := from.re[q:2*q], from.im[q:2*q]
	cr, ci := from.re[2*q:3*q], from.im[2*q:3*q]
	dr, di := from.re[3*q:4*q], from.im[3*q:4*q]
	w1r, w1i := p.turns[0].re[:q], p.turns[0].im[:q]
	w2r, w2i := p.turns[1].re[:q], p.turns[1].im[:q]
	w3r, w3i := p.turns[2].re[:q], p.turns[2].im[:q]
	for k := range ar {
		sumR, sumI, leftR, leftI := ar[k]+cr[k], ai[k]+ci[k], ar[k]-cr[k], ai[k]-ci[k]
		otherR, otherI, rightR, rightI := br[k]+dr[k], bi[k]+di[k], br[k]-dr[k], bi[k]-di[k]
		yr, yi := to.re[4*k:4*k+4:4*k+4], to.im[4*k:4*k+4:4*k+4]
		yr[0], yi[0] = sumR+otherR, sumI+otherI
		r, i := leftR+rightI, leftI-rightR
		yr[1], yi[1] = r*w1r[k]-i*w1i[k], r*w1i[k]+i*w1r[k]
		r, i = sumR-otherR, sumI-otherI
		yr[2], yi[2] = r*w2r[k]-i*w2i[k], r*w2i[k]+i*w2r[k]
		r, i = leftR-rightI, leftI+rightR
		yr[3], yi[3] = r*w3r[k]-i*w3i[k], r*w3i[k]+i*w3r[k]
	}
}

// byFour combines four rows of every group.
func (p *pass) byFour(from, to planar) {
	s, q := p.stride, p.groups
	for k := range q {
		w1r, w1i, w2r, w2i, w3r, w3i := p.turns[0].re[k], p.turns[0].im[k], p.turns[1].re[k], p.turns[1].im[k], p.turns[2].re[k], p.turns[2].im[k]
		row := func(x []float64, at int) []float64 { return x[at*s:][:s:s] }
		ar, ai, br, bi := row(from.re, k), row(from.im, k), row(from.re, k+q), row(from.im, k+q)
		cr, ci, dr, di := row(from.re, k+2*q), row(from.im, k+2*q), row(from.re, k+3*q), row(from.im, k+3*q)
		y0r, y0i, y1r, y1i := row(to.re, 4*k), row(to.im, 4*k), row(to.re, 4*k+1), row(to.im, 4*k+1)
		y2r, y2i, y3r, y3i := row(to.re, 4*k+2), row(to.im, 4*k+2), row(to.re, 4*k+3), row(to.im, 4*k+3)
		for j := range ar {
			sumR, sumI, leftR, leftI := ar[j]+cr[j], ai[j]+ci[j], ar[j]-cr[j], ai[j]-ci[j]
			otherR, otherI, rightR, rightI := br[j]+dr[j], bi[j]+di[j], br[j]-dr[j], bi[j]-di[j]
			y0r[j], y0i[j] = sumR+otherR, sumI+otherI
			r, i := leftR+rightI, leftI-rightR
			y1r[j], y1i[j] = r*w1r-i*w1i, r*w1i+i*w1r
			r, i = sumR-otherR, sumI-otherI
			y2r[j], y2i[j] = r*w2r-i*w2i, r*w2i+i*w2r
			r, i = leftR-rightI, leftI+rightR
			y3r[j], y3i[j] = r*w3r-i*w3i, r*w3i+i*w3r
		}
	}
}
