package dsp

import "math"

// guardBank is an interpolator that a ceilingGuard keeps within the limit.
type guardBank struct {
	*Polyphase
	// No reading of the standard wish exceeds flat · max |sample| + bend · max
	// |second difference|, both of the signal without factors: Bound for rows
	// that are cut off by the wish's factors.
	flat, bend float64
	dipShape   []float64 // by distance from the interval's samples
}

// guardFade is the fade that raises Annex 2 readings least: cut off by it and
// silence, no steady tone of 0 to 0.41 of the rate, whatever its phase, reads
// more than 0.0002 dB above what it read before (found by linear programming).
// A raised cosine of the same length has 0.05 dB.
var guardFade = [...]float64{
	0.99988, 0.99979, 0.99964, 0.99928, 0.99874, 0.99591, 0.99124, 0.98487, 0.96284, 0.92071, 0.81203, 0.89868,
}

// newGuardBank prepares an interpolator for a wish that follows on margin
// frames without factors.
func newGuardBank(p *Polyphase, wish []float64, margin int) guardBank {
	b := guardBank{Polyphase: p}
	factors := make([]float64, margin+len(wish)+margin)
	fill(factors[:margin], 1)
	known := margin + copy(factors[margin:], wish)
	cut, bends := make([]float64, 2*p.half), make([]float64, 2*p.half)
	// Where all factors are 1 the rows are the interpolator's.
	b.flat, b.bend = p.Bound()
	for n := margin; n-p.half+1 < known; n++ {
		at := min(p.half-1, known-2-(n-p.half+1)) // the second differences end with the last frame known
		for _, row := range p.rows {
			for j := range cut {
				cut[j] = row[j] * factors[n-p.half+1+j]
			}
			flat, bends := rowBound(cut, max(0, at), bends)
			var bend float64
			for _, k := range bends {
				bend += k
			}
			b.flat, b.bend = max(b.flat, flat*boundMargin), max(b.bend, bend*boundMargin)
		}
	}
	// A dip as wide as the interval's window; of a long window, whose outer
	// taps are small, in full depth over the middle, and from there smooth.
	const full = 16
	for k := range p.half {
		shape := 1.0
		if k > full {
			_, cos := sincosPi(float64(k-full) / float64(p.half-full))
			shape = 0.5 + 0.5*cos
		}
		b.dipShape = append(b.dipShape, shape)
	}
	return b
}

// fits tells whether every reading of x is within the limit; x is the signal
// with the wish's factors, the signal's second differences are within bend. It
// interpolates only where the bound does not tell.
func (b *guardBank) fits(x, signal []float64, bend, limit float64) bool {
	threshold := (limit - float64(b.bend*bend)) / b.flat
	last := len(signal) - 2
	for n := b.half - 1; n+b.half < len(x); n++ {
		centre := min(n, last)
		if math.Abs(signal[centre]) > threshold || math.Abs(signal[centre+1]) > threshold {
			if b.Peak(x[n-b.half+1:n+b.half+1]) > limit {
				return false
			}
		}
	}
	return true
}

// threshold is what a sample next to an interval of x must exceed for a reading
// over the limit.
func (b *guardBank) threshold(x []float64, limit float64) float64 {
	flat, bend := b.Bound()
	return (limit - float64(bend*math.Float64frombits(secondDifference(x)))) / flat
}

// next is the first interval of x, from n on, that reads over the limit, and
// what it reads; −1 if there is none.
func (b *guardBank) next(x []float64, n int, threshold, limit float64) (int, float64) {
	for ; n+b.half < len(x); n++ {
		if math.Abs(x[n]) > threshold || math.Abs(x[n+1]) > threshold {
			if peak := b.Peak(x[n-b.half+1 : n+b.half+1]); peak > limit {
				return n, peak
			}
		}
	}
	return -1, 0
}

// dip lowers factors by depth around interval n, where no other dip has
// lowered them more.
func (b *guardBank) dip(factors []float64, n int, depth float64) {
	for k, shape := range b.dipShape {
		factor := 1 - float64(depth*shape)
		if at := n - k; at >= 0 && at < len(factors) {
			factors[at] = min(factors[at], factor)
		}
		if at := n + 1 + k; at >= 0 && at < len(factors) {
			factors[at] = min(factors[at], factor)
		}
	}
}
