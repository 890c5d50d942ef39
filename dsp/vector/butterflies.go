package vector

// Planar is a row of complex numbers, their real and imaginary parts apart.
type Planar struct{ Re, Im []float64 }

// NewPlanar is a row of n zeros.
func NewPlanar(n int) Planar { return Planar{make([]float64, n), make([]float64, n)} }

func (p Planar) from(n int) Planar { return Planar{p.Re[n:], p.Im[n:]} }
func (p Planar) cut(n int) Planar  { return Planar{p.Re[:n], p.Im[:n]} }

// Turns are the complex factors of a group of butterflies of radix 4.
type Turns struct{ Re1, Im1, Re2, Im2, Re3, Im3 float64 }

// ByFour is a pass of a Fourier transform in Stockham's order, of radix 4: for each
// group of turns, four rows of stride numbers, a quarter of the whole apart, become four
// rows that follow on each other. stride is a multiple of 4.
func ByFour(to, from Planar, turns []Turns, stride int) {
	n := 4 * stride * len(turns)
	to, from = to.cut(n), from.cut(n)
	if n == 0 {
		return
	}
	if hasAVX {
		byFourAVX(&to.Re[0], &to.Im[0], &from.Re[0], &from.Im[0], &turns[0], stride, len(turns))
		return
	}
	byFour(to, from, turns, stride)
}

func byFour(to, from Planar, turns []Turns, stride int) {
	quarter := stride * len(turns)
	for k, w := range turns {
		row := func(x []float64, at int) []float64 { return x[at:][:stride:stride] }
		in, out := k*stride, 4*k*stride
		ar, ai := row(from.Re, in), row(from.Im, in)
		br, bi := row(from.Re, in+quarter), row(from.Im, in+quarter)
		cr, ci := row(from.Re, in+2*quarter), row(from.Im, in+2*quarter)
		dr, di := row(from.Re, in+3*quarter), row(from.Im, in+3*quarter)
		y0r, y0i := row(to.Re, out), row(to.Im, out)
		y1r, y1i := row(to.Re, out+stride), row(to.Im, out+stride)
		y2r, y2i := row(to.Re, out+2*stride), row(to.Im, out+2*stride)
		y3r, y3i := row(to.Re, out+3*stride), row(to.Im, out+3*stride)
		for j := range ar {
			sumR, sumI, leftR, leftI := ar[j]+cr[j], ai[j]+ci[j], ar[j]-cr[j], ai[j]-ci[j]
			otherR, otherI, rightR, rightI := br[j]+dr[j], bi[j]+di[j], br[j]-dr[j], bi[j]-di[j]
			y0r[j], y0i[j] = sumR+otherR, sumI+otherI
			r, i := leftR+rightI, leftI-rightR
			y1r[j], y1i[j] = float64(r*w.Re1)-float64(i*w.Im1), float64(r*w.Im1)+float64(i*w.Re1)
			r, i = sumR-otherR, sumI-otherI
			y2r[j], y2i[j] = float64(r*w.Re2)-float64(i*w.Im2), float64(r*w.Im2)+float64(i*w.Re2)
			r, i = leftR-rightI, leftI+rightR
			y3r[j], y3i[j] = float64(r*w.Re3)-float64(i*w.Im3), float64(r*w.Im3)+float64(i*w.Re3)
		}
	}
}

// FirstByFour is ByFour with a stride of 1; turns are three rows, of the factors 1 to 3
// of each group.
func FirstByFour(to, from Planar, turns [3]Planar) {
	quarter := len(turns[0].Re)
	to, from = to.cut(4*quarter), from.cut(4*quarter)
	for i := range turns {
		turns[i] = turns[i].cut(quarter)
	}
	if hasAVX && quarter > 0 && quarter%4 == 0 {
		firstByFourAVX(&to.Re[0], &to.Im[0], &from.Re[0], &from.Im[0],
			&[6]*float64{&turns[0].Re[0], &turns[0].Im[0], &turns[1].Re[0], &turns[1].Im[0], &turns[2].Re[0], &turns[2].Im[0]}, quarter)
		return
	}
	firstByFour(to, from, turns)
}

func firstByFour(to, from Planar, turns [3]Planar) {
	quarter := len(turns[0].Re)
	a, b, c, d := from.cut(quarter), from.from(quarter).cut(quarter), from.from(2*quarter).cut(quarter), from.from(3*quarter)
	w1, w2, w3 := turns[0], turns[1], turns[2]
	for k := range a.Re {
		sumR, sumI, leftR, leftI := a.Re[k]+c.Re[k], a.Im[k]+c.Im[k], a.Re[k]-c.Re[k], a.Im[k]-c.Im[k]
		otherR, otherI, rightR, rightI := b.Re[k]+d.Re[k], b.Im[k]+d.Im[k], b.Re[k]-d.Re[k], b.Im[k]-d.Im[k]
		yr, yi := to.Re[4*k:4*k+4:4*k+4], to.Im[4*k:4*k+4:4*k+4]
		yr[0], yi[0] = sumR+otherR, sumI+otherI
		r, i := leftR+rightI, leftI-rightR
		yr[1], yi[1] = float64(r*w1.Re[k])-float64(i*w1.Im[k]), float64(r*w1.Im[k])+float64(i*w1.Re[k])
		r, i = sumR-otherR, sumI-otherI
		yr[2], yi[2] = float64(r*w2.Re[k])-float64(i*w2.Im[k]), float64(r*w2.Im[k])+float64(i*w2.Re[k])
		r, i = leftR-rightI, leftI+rightR
		yr[3], yi[3] = float64(r*w3.Re[k])-float64(i*w3.Im[k]), float64(r*w3.Im[k])+float64(i*w3.Re[k])
	}
}

// Split stores the samples of even frames as real, of odd frames as imaginary parts. With a
// window, which may be nil, each sample is multiplied by the window's number.
func Split(to Planar, window, x []float64) {
	n := len(to.Re)
	to.Im, x = to.Im[:n], x[:2*n]
	if window != nil {
		window = window[:2*n]
	}
	if whole := n &^ 3; hasAVX && whole > 0 {
		if window == nil {
			splitAVX(&to.Re[0], &to.Im[0], &x[0], whole/4)
		} else {
			splitWindowedAVX(&to.Re[0], &to.Im[0], &window[0], &x[0], whole/4)
			window = window[2*whole:]
		}
		to, x = to.from(whole), x[2*whole:]
	}
	split(to, window, x)
}

func split(to Planar, window, x []float64) {
	for n := range to.Re {
		to.Re[n], to.Im[n] = x[2*n], x[2*n+1]
		if window != nil {
			to.Re[n], to.Im[n] = float64(x[2*n]*window[2*n]), float64(x[2*n+1]*window[2*n+1])
		}
	}
}

// Unravel stores the coefficients 0 to h of 2h real samples, from the transform z of
// their even frames as real and odd frames as imaginary parts. turn holds the factors
// e^(−2πik/2h), for k up to h/2. h is even.
func Unravel(to []complex128, z, turn Planar) {
	h := len(z.Re)
	to, z.Im, turn = to[:h+1], z.Im[:h], turn.cut(h/2+1)
	to[0], to[h] = complex(z.Re[0]+z.Im[0], 0), complex(z.Re[0]-z.Im[0], 0)
	first := 1
	// Fours from the beginning and fours from the end, as long as they do not meet.
	if fours := (h/2 - 1) / 4; hasAVX && fours > 0 {
		first += 4 * fours
		unravelAVX(&to[1], &to[h-4], &z.Re[1], &z.Im[1], &z.Re[h-4], &z.Im[h-4], &turn.Re[1], &turn.Im[1], fours)
	}
	unravel(to, z, turn, first)
}

func unravel(to []complex128, z, turn Planar, first int) {
	h := len(z.Re)
	for k := first; k <= h/2; k++ {
		j := h - k
		evenR, evenI := float64(0.5*(z.Re[k]+z.Re[j])), float64(0.5*(z.Im[k]-z.Im[j]))
		oddR, oddI := float64(0.5*(z.Im[k]+z.Im[j])), float64(0.5*(z.Re[j]-z.Re[k]))
		tr := float64(oddR*turn.Re[k]) - float64(oddI*turn.Im[k])
		ti := float64(oddR*turn.Im[k]) + float64(oddI*turn.Re[k])
		to[k], to[j] = complex(evenR+tr, evenI+ti), complex(evenR-tr, ti-evenI)
	}
}
