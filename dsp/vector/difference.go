package vector

import "math"

// Difference describes how a stretch of y differs from one of x, read in one pass.
type Difference struct {
	XX, YY, EE, XY float64 // sums of the squares of x, of y and of the difference, and of x times y
	X, Y           float64 // sums
	MostY, MostE   float64 // largest magnitudes of y and of the difference
	Changed        int     // samples of y, before the gain, that differ from those of x
}

// differing holds the sums of the assembly, one for every fourth sample.
type differing struct {
	xx, yy, ee, xy, x, y, mostY, mostE [4]float64
	changed                            int
}

// DifferenceOf multiplies y by a gain, and sets e to y less x. Both have the length of x
// at least. The sums are those of every fourth sample, added at the end. With NaN samples
// the largest magnitudes are undefined.
func DifferenceOf(x, y, e []float64, gain float64) Difference {
	return differenceOf(x, y, e, gain, hasAVX)
}

func differenceOf(x, y, e []float64, gain float64, assembly bool) Difference {
	n := len(x)
	y, e = y[:n], e[:n]
	var l differing
	done := 0
	if fours := n / 4; assembly && fours > 0 {
		differenceAVX(&x[0], &y[0], &e[0], gain, fours, &l)
		done = 4 * fours
	}
	l.read(x, y, e, gain, done)
	return Difference{
		XX: total(&l.xx), YY: total(&l.yy), EE: total(&l.ee), XY: total(&l.xy), X: total(&l.x), Y: total(&l.y),
		MostY: max(l.mostY[0], l.mostY[1], l.mostY[2], l.mostY[3]), MostE: max(l.mostE[0], l.mostE[1], l.mostE[2], l.mostE[3]),
		Changed: l.changed,
	}
}

// read takes the samples from one on.
func (l *differing) read(x, y, e []float64, gain float64, from int) {
	for n := from; n < len(x); n++ {
		lane, v, w := n&3, x[n], y[n]
		if v != w {
			l.changed++
		}
		w = float64(w * gain)
		d := w - v
		y[n], e[n] = w, d
		l.xx[lane] += float64(v * v)
		l.yy[lane] += float64(w * w)
		l.ee[lane] += float64(d * d)
		l.xy[lane] += float64(v * w)
		l.x[lane] += v
		l.y[lane] += w
		if a := math.Abs(w); a > l.mostY[lane] {
			l.mostY[lane] = a
		}
		if a := math.Abs(d); a > l.mostE[lane] {
			l.mostE[lane] = a
		}
	}
}
