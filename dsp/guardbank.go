package dsp

import (
	"math"

	"github.com/boothbench/boothbench/dsp/vector"
)

// guardBank is an interpolator whose readings a ceilingGuard keeps within the limit.
type guardBank struct {
	*Polyphase
	// No reading of the standard target exceeds flat · max |sample| + curvature · max
	// |second difference|, both of the signal without factors. It is Bound for rows
	// truncated by the target's factors.
	flat, curvature float64
	dipShape        []float64      // by distance from the interval's samples
	coarse          coarseSketch   // of a short bank; one of two taps has none
	doubled         *doubledSketch // of a long bank
	reach           int            // samples that they read on either side of an interval; 0: none
	missed, outside float64        // see doubledSketch
	halves          *Halves        // of a long bank
	fromPlain       []plainShare   // by cell of the scan
	lean            float64        // sum of |tap| times its distance from the interval's first sample
}

// plainShare bounds what the standard target makes of the readings of a cell, of the
// middle taps of a long bank: kept times the largest of the plain readings (those of the
// frames without factors), plus changed times the largest |sample|. A factor at a tap is
// the factor at the interval plus a difference, and changed is the sum of |tap| times
// |difference|, and of the |taps| that the plain readings leave out. Where silence follows
// before the readings end, kept is 0.
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
		doubled := p.doubledSketch()
		b.doubled, b.reach, b.missed, b.outside = &doubled, doubled.half, doubled.missed, doubled.outside
		b.halves = p.Halves()
	} else {
		b.boundRows(target, margin)
		if p.half > 1 {
			b.coarse = p.coarseSketch(SketchSize{Every: 1})
			b.reach, b.missed = p.half, b.coarse.missed
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
	if b.reach == 0 || len(target)/2%peakCell != 0 {
		return
	}
	half := b.reach
	most := make([]float64, 2*half) // by tap, of all rows
	for _, row := range b.rows {
		for j, h := range row[b.half-half : b.half+half] {
			most[j] = max(most[j], math.Abs(h)*boundMargin)
		}
	}
	b.lean = 0
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
			share.kept, share.changed = 1, b.outside
			continue
		}
		for n := c * peakCell; n < (c+1)*peakCell; n++ {
			here, changed := 0.0, b.outside
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

// bounded reports whether frames of an extent cannot read more than a limit, as the standard
// target has them.
func (b *guardBank) bounded(e vector.Extent, limit float64) bool {
	return float64(b.flat*e.Peak)+float64(b.curvature*e.Curvature) <= limit
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

// read stores the readings of 16 intervals from n on in whole numbers.
func (b *guardBank) read(s *coarseSound, n int, out *vector.DoubledReadings) {
	if b.doubled == nil {
		b.coarse.read(s, n, out[0][:])
	} else {
		b.doubled.read(s, n, out)
	}
}

// above returns the intervals that may read more than a value, by readings and, where these leave
// out rows next to samples, by the samples beside them: bit i is interval n+i.
func (b *guardBank) above(found *vector.DoubledReadings, level int32, x []float64, value float64) uint32 {
	if b.doubled == nil {
		return found[0].Above(level)
	}
	return found.Above(level) | besideOver(x, value)
}

// largest returns the largest of the readings.
func (b *guardBank) largest(found *vector.DoubledReadings) int32 {
	if b.doubled == nil {
		return found[0].Largest()
	}
	return found.Largest()
}
