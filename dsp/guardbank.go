package dsp

import "math"

// guardBank is an interpolator whose readings a ceilingGuard keeps within the limit.
type guardBank struct {
	*Polyphase
	// No reading of the standard target exceeds flat · max |sample| + curvature · max
	// |second difference|, both of the signal without factors. It is Bound for rows
	// truncated by the target's factors.
	flat, curvature float64
	dipShape        []float64    // by distance from the interval's samples
	coarse          coarseSketch // of a long bank, of its middle taps; a bank of two taps has none
	sketches        Sketches     // of a long bank
	fromPlain       []plainShare // by cell of the scan
	lean            float64      // sum of |tap| times its distance from the interval's first sample
	rootOutside     float64      // root of the number of taps that the coarse sketch does not read
}

// plainShare bounds what the standard target makes of the readings of a cell, of the
// middle taps of a long bank: kept times the largest of the plain readings (those of the
// frames without factors), plus changed times the largest |sample|. A factor at a tap is
// the factor at the interval plus a difference, and changed is the sum of |tap| times
// |difference|. Where silence follows before the readings end, kept is 0.
type plainShare struct{ kept, changed float64 }

// guardFade is the fade that raises Annex 2 readings least: for a steady tone
// of 0 to 0.41 of the rate, at any phase, that ends in this fade and silence,
// no reading is more than 0.0002 dB above the tone's own (found by linear
// programming). A raised cosine of the same length raises readings by 0.05 dB.
var guardFade = [...]float64{
	0.99988, 0.99979, 0.99964, 0.99928, 0.99874, 0.99591, 0.99124, 0.98487, 0.96284, 0.92071, 0.81203, 0.89868,
}

// longHalf is the half length in samples from which interpolation costs enough
// for closer bounds to pay.
const longHalf = 16

// newGuardBank prepares an interpolator for a target that follows margin frames
// without factors.
func newGuardBank(p *Polyphase, target []float64, margin int) guardBank {
	b := guardBank{Polyphase: p}
	if p.half > longHalf {
		b.boundFade(target)
		b.coarse = p.coarseSketch(SketchSize{Every: 8, Half: 64})
		b.sketches = p.Sketches(SketchSize{Every: 16}, SketchSize{Every: 4})
	} else {
		b.boundRows(target, margin)
		if p.half > 1 {
			b.coarse = p.coarseSketch(SketchSize{Every: 1})
		}
	}
	b.shareOut(target, margin)
	// A dip has the width of the interval's window. For a long window, whose
	// outer taps are small, the full reduction covers the middle only, with
	// smooth sides.
	const full = 16
	for k := range p.half {
		shape := 1.0
		if k > full {
			_, cos := SincosPi(float64(k-full) / float64(p.half-full))
			shape = 0.5 + float64(0.5*cos)
		}
		b.dipShape = append(b.dipShape, shape)
	}
	return b
}

// shareOut sets fromPlain, if the bank has a coarse sketch and steps are whole cells.
func (b *guardBank) shareOut(target []float64, margin int) {
	if b.coarse.bank == nil || len(target)/2%peakCell != 0 {
		return
	}
	half := b.coarse.bank.Half()
	most := make([]float64, 2*half) // by tap, of all rows
	for _, row := range b.rows {
		for j, h := range row[b.half-half : b.half+half] {
			most[j] = max(most[j], math.Abs(h)*boundMargin)
		}
	}
	b.lean, b.rootOutside = 0, math.Sqrt(float64(2*(b.half-half)))
	for j, h := range most {
		b.lean += float64(h * math.Abs(float64(j-half+1)))
	}
	known := margin + len(target)
	factor := func(n int) float64 {
		switch {
		case n < margin:
			return 1
		case n < known:
			return target[n-margin]
		}
		return 0
	}
	b.fromPlain = make([]plainShare, (known+margin)/peakCell+1)
	for c := range b.fromPlain {
		share := &b.fromPlain[c]
		whole := (c+1)*peakCell+half <= known
		if (c+1)*peakCell+half <= margin+len(target)/2 { // no factor reaches it
			share.kept = 1
			continue
		}
		for n := c * peakCell; n < (c+1)*peakCell; n++ {
			here, changed := 0.0, 0.0
			if whole {
				here = factor(n)
			}
			for j, h := range most {
				changed += float64(h * math.Abs(factor(n-half+1+j)-here))
			}
			share.kept, share.changed = max(share.kept, here), max(share.changed, changed)
		}
	}
}

// boundRows sets flat and curvature to those of the interpolator's rows, truncated
// by the target's factors.
func (b *guardBank) boundRows(target []float64, margin int) {
	factors := make([]float64, margin+len(target)+margin)
	fill(factors[:margin], 1)
	known := margin + copy(factors[margin:], target)
	cut, curvatures := make([]float64, 2*b.half), make([]float64, 2*b.half)
	for n := b.half - 1; n-b.half+1 < known; n++ {
		// The second differences end with the last known frame: rows centred
		// beyond it are expanded about the last two.
		at := max(0, min(b.half-1, known-2-(n-b.half+1)))
		for _, row := range b.rows {
			for j := range cut {
				cut[j] = row[j] * factors[n-b.half+1+j]
			}
			flat, curvatures := rowBound(cut, at, curvatures)
			var curvature float64
			for _, k := range curvatures {
				curvature += k
			}
			b.flat, b.curvature = max(b.flat, flat*boundMargin), max(b.curvature, curvature*boundMargin)
		}
	}
}

// boundFade finds flat and curvature by the product rule, which is close enough for
// a long fade: with factors w, the second difference of w·x is within |x″| +
// 2|w′||x′| + |w″||x|, and |x′| is at most twice the largest sample. At the end it
// is within three times the last two factors.
func (b *guardBank) boundFade(target []float64) {
	last := len(target) - 1
	extra := float64(2*target[last]) + target[last-1]
	for k := 1; k < last; k++ {
		slope, curvature := math.Abs(target[k]-target[k-1]), math.Abs((target[k+1]-target[k])-(target[k]-target[k-1]))
		extra = max(extra, float64(4*slope)+curvature)
	}
	flat, curvature := b.Bound()
	b.flat, b.curvature = (flat+float64(curvature*extra))*boundMargin, curvature
}

// dip lowers factors by a reduction around interval n, where no other dip has
// lowered them more.
func (b *guardBank) dip(factors []float64, n int, reduction float64) {
	for k, shape := range b.dipShape {
		factor := 1 - float64(reduction*shape)
		if at := n - k; at >= 0 && at < len(factors) {
			factors[at] = min(factors[at], factor)
		}
		if at := n + 1 + k; at >= 0 && at < len(factors) {
			factors[at] = min(factors[at], factor)
		}
	}
}

// energyOutside is at least the sum of the squares that the windows of any of the
// intervals from … to−1 read, without the taps of the coarse sketch.
func (b *guardBank) energyOutside(s *scannedSound, from, to int) float64 {
	middle := b.coarse.bank.Half()
	if middle == b.half {
		return 0
	}
	return s.energy(max(0, from-b.half+1)/peakCell, (to-middle+peakCell-1)/peakCell) +
		s.energy((from+middle+1)/peakCell, min(overCells, (to-1+b.half)/peakCell+1))
}
