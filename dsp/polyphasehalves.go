package dsp

import (
	"math"

	"github.com/boothbench/boothbench/dsp/vector"
)

// Halves reads the rows of a long bank by halving: first those in the middle of an interval,
// then between them and the samples only those that can exceed a limit. Of the crest of a
// smooth wave, such as a steady tone, it reads a part of them.
//
// Derivation: a row h between two that were read, f and g, is αf + (1−α)g + ρ, with α from
// its position. The larger of two readings bounds any mean of them. Bound limits the reading of ρ,
// which shrinks with the square of the distance between f and g, and so does its L1 norm.
type Halves struct {
	bank     *Polyphase
	groups   []*vector.Mirrored // of successive rows and their mirror images, the last one at the middle
	tree     *halving           // between the samples and the last group; nil: there is one group
	rounding float64            // of a reading, by the largest |sample|
}

// halving is the groups of rows between two that were read.
type halving struct {
	group         int
	flat, curved  float64 // what bounds what its rows are off by, see Polyphase.Bound
	missed        float64 // the same, by the largest |sample|
	before, after *halving
}

// Halves returns the bank in this form. Rows must read at rising positions inside an interval.
func (b *Polyphase) Halves() *Halves {
	h := &Halves{bank: b, rounding: 8 * float64(b.half) * 0x1p-53 * b.bounds.l1}
	for taps := b.mirrored.Taps; len(taps) > 0; taps = taps[b.half:] {
		h.groups = append(h.groups, vector.NewMirrored(b.half, taps[:b.half]))
	}
	h.tree = h.halve(-1, len(h.groups)-1)
	return h
}

// halve builds the tree of the groups between two; group −1 is the sample before.
func (h *Halves) halve(first, last int) *halving {
	if last-first < 2 {
		return nil
	}
	b := h.bank
	taps := func(row int) (taps []float64, position float64) {
		if row < 0 {
			taps = make([]float64, 2*b.half)
			taps[b.half-1] = 1
			return taps, 0
		}
		return b.rows[row], b.positions[row]
	}
	from, to := 2*first+1, 2*last // the last row of one group, and the first of the other
	f, begin := taps(from)
	g, end := taps(to)
	one := &halving{group: (first + last) / 2}
	rest, scratch := make([]float64, 2*b.half), make([]float64, 2*b.half)
	for row := from + 1; row < to; row++ {
		share := (end - b.positions[row]) / (end - begin)
		missed := 0.0
		for j, tap := range b.rows[row] {
			rest[j] = tap - float64(share*f[j]) - float64((1-share)*g[j])
			missed += math.Abs(rest[j])
		}
		flat, curvatures := rowBound(rest, b.half-1, scratch)
		curved := 0.0
		for _, k := range curvatures {
			curved += k
		}
		one.flat, one.curved = max(one.flat, flat*boundMargin), max(one.curved, curved*boundMargin)
		one.missed = max(one.missed, missed*boundMargin)
	}
	one.before, one.after = h.halve(first, one.group), h.halve(one.group, last)
	return one
}

// Exceed stores the readings of up to four successive windows that exceed a limit, as Peaks
// does, and of the others any number that does not. It reports whether one exceeds it. peak
// and curvature must be at least the largest |sample| and |second difference| of x.
func (h *Halves) Exceed(x, peaks []float64, limit, peak, curvature float64) bool {
	half := h.bank.half
	r := halfReading{h, x, peaks, limit, peak, curvature, vector.Peak(x[half-1 : half+len(peaks)]), float64(h.rounding * peak)}
	h.groups[len(h.groups)-1].Readings(x, peaks)
	r.between(h.tree, r.sides, vector.Peak(peaks))
	return vector.Peak(peaks) > limit
}

// halfReading is a call of Exceed.
type halfReading struct {
	*Halves
	x, peaks               []float64
	limit, peak, curvature float64
	sides                  float64 // the largest |sample| beside an interval
	rounding               float64
}

// between reads the groups between two whose largest readings are given.
func (r *halfReading) between(one *halving, before, after float64) {
	if one == nil || r.isWithin(one, before, after) {
		return
	}
	var few [4]float64
	r.groups[one.group].Readings(r.x, few[:len(r.peaks)])
	for i, v := range few[:len(r.peaks)] {
		if v > r.peaks[i] {
			r.peaks[i] = v
		}
	}
	middle := vector.Peak(few[:len(r.peaks)])
	r.between(one.before, before, middle)
	r.between(one.after, middle, after)
}

// isWithin reports whether no row between two groups can exceed the limit.
func (r *halfReading) isWithin(one *halving, before, after float64) bool {
	off := min(float64(one.missed*r.peak), float64(one.flat*r.sides)+float64(one.curved*r.curvature))
	return max(before, after)+off+r.rounding <= r.limit
}
