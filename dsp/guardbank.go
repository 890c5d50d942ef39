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
	dipShape        []float64 // by distance from the interval's samples
	sketches        Sketches  // of a long bank
}

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
		b.sketches = p.Sketches(SketchSize{Every: 16, Half: 40}, SketchSize{Every: 16}, SketchSize{Every: 4})
	} else {
		b.boundRows(target, margin)
	}
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

// overScan finds the intervals of x that read over the limit. It interpolates
// only where bounds do not decide. Bounds are computed for overChunk intervals
// at a time, from the largest |sample| and |second difference| around them.
type overScan struct {
	bank *guardBank
	x    []float64
	// sides is the signal that the bounds are computed from: x, or the signal
	// without factors if x is that signal with the factors of the standard
	// target.
	sides           []float64
	flat, curvature float64 // of the bound that holds for sides
	limit, aim      float64 // the bounds are compared with the aim

	n, fresh                 int // the next interval, and the first that needs new bounds
	threshold, highest, most float64
	peaks                    fewPeaks
	chunks                   [overChunks]guardBlock
	energies                 [overChunks]float64 // sums of squares, −1: not needed yet
}

// A scan's x extends by at most the margin on both sides of the plan and the
// target, and these are half as long again as the margin together.
const (
	overChunk  = 64
	overChunks = (2*verifiedStride+2*(verifiedStride-1))/overChunk + 1
)

// scan begins with the first interval that contains frames after the margin:
// frames that are already put out were read before.
func (b *guardBank) scan(x []float64, margin int, limit float64) overScan {
	s := overScan{bank: b, x: x, sides: x, limit: limit, aim: limit, n: margin - b.half, peaks: fewPeaks{bank: b.Polyphase, x: x}}
	s.flat, s.curvature = b.Bound()
	s.survey()
	return s
}

// scanStandard is scan for x with the factors of the standard target. Short rows
// are bounded by what is known of these factors: their fade is short as well,
// and its end would count as a wave.
func (b *guardBank) scanStandard(x, signal []float64, margin int, limit, aim float64) overScan {
	if b.half > longHalf {
		return b.scan(x, margin, limit)
	}
	s := overScan{bank: b, x: x, sides: signal, limit: limit, aim: aim, n: margin - b.half, flat: b.flat, curvature: b.curvature, peaks: fewPeaks{bank: b.Polyphase, x: x}}
	s.survey()
	return s
}

// survey measures the chunks, from the first that a bound needs.
func (s *overScan) survey() {
	from := max(0, s.n-s.bank.half+1) / overChunk * overChunk
	for at := from; at < len(s.sides); at += overChunk {
		s.chunks[at/overChunk] = extent(s.sides, at, min(len(s.sides), at+overChunk))
		s.energies[at/overChunk] = -1
	}
}

// extent is the largest |sample| of frames from … to−1, and the largest |second
// difference| that ends there.
func extent(x []float64, from, to int) guardBlock {
	return guardBlock{vector.Peak(x[from:to]), vector.Curvature(x[max(0, from-2):to])}
}

// next is the next interval over the limit, and its reading; −1 if there is
// none left.
func (s *overScan) next() (n int, peak float64) {
	half := s.bank.half
	for ; s.n+half < len(s.x); s.n++ {
		if s.n >= s.fresh && !s.bound() {
			s.n = s.fresh - 1
			continue
		}
		side := min(s.n, len(s.sides)-2)
		if math.Abs(s.sides[side]) <= s.threshold && math.Abs(s.sides[side+1]) <= s.threshold {
			continue
		}
		if half > longHalf && s.bank.AtMost(s.x[s.n-half+1:s.n+half+1], s.most) <= s.limit {
			continue
		}
		if half > longHalf && !s.mayExceed() {
			s.n += len(s.peaks.peaks) - 1
			continue
		}
		if peak = s.peaks.at(s.n); peak > s.limit {
			s.n++
			return s.n - 1, peak
		}
	}
	return -1, 0
}

// mayExceed reports from sketches whether one of the next few intervals may be over.
func (s *overScan) mayExceed() bool {
	if s.peaks.knows(s.n) {
		return true
	}
	half := s.bank.half
	var few [len(s.peaks.peaks)]float64
	n := min(len(few), len(s.x)-half-s.n)
	return s.bank.sketches.MayExceed(s.x[s.n-half+1:s.n+n+half], few[:n], s.limit, s.highest, s.energy())
}

// energy is the sum of the squares of the frames that the next few intervals read, and
// a little around.
func (s *overScan) energy() (sum float64) {
	from, to := s.n-s.bank.half+1, min(len(s.x), s.n+s.bank.half+len(s.peaks.peaks))
	for k := from / overChunk; k <= (to-1)/overChunk; k++ {
		if s.energies[k] < 0 {
			s.energies[k] = 0
			for _, v := range s.x[k*overChunk : min(len(s.x), (k+1)*overChunk)] {
				s.energies[k] += float64(v * v)
			}
		}
		sum += s.energies[k]
	}
	return sum
}

// bound finds the bounds for the next intervals, up to the end of a chunk. It
// reports whether one of them needs interpolation.
func (s *overScan) bound() bool {
	first := s.n / overChunk
	s.fresh = (first + 1) * overChunk
	last := (len(s.sides) - 1) / overChunk
	s.most, s.highest = 0, 0
	for k := (s.n - s.bank.half + 1) / overChunk; k <= min(last, (s.fresh+s.bank.half+len(s.peaks.peaks))/overChunk); k++ {
		s.most, s.highest = max(s.most, s.chunks[k].curvature), max(s.highest, s.chunks[k].peak)
	}
	s.threshold = (s.aim - float64(s.curvature*s.most)) / s.flat
	// The second sample of the last interval may lie in the next chunk, and
	// intervals beyond the last samples use the last ones.
	peak := s.chunks[min(first, last)].peak
	if s.fresh < len(s.sides) {
		peak = max(peak, math.Abs(s.sides[s.fresh]))
	} else {
		peak = max(peak, math.Abs(s.sides[len(s.sides)-2]), math.Abs(s.sides[len(s.sides)-1]))
	}
	return peak > s.threshold
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
