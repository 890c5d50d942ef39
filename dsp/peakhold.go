package dsp

import (
	"math"

	"github.com/boothbench/boothbench/dsp/vector"
)

// peakHold is the largest |sample| of some channels over a window, in which
// crests between samples count.
//
// Samples seldom coincide with the crest of a half-wave. The distance between
// them beats for a tone whose period nearly divides the sample rate, and so
// would a gain that follows the samples: with 6 dB of compression at 48 kHz,
// 2999 Hz would have a THD+N of −65 dB, 4800.2 Hz of −43 dB.
//
// A crest is known, and counts, one frame after its sample. It counts if the
// sample is within 3 dB of the level: on a steady tone below a quarter of the
// rate all crests are.
type peakHold struct {
	window slidingMax
	floor  uint64 // magnitude up to which crests are ignored
	heels  []heel // per channel
	last   uint64 // magnitude of the last frame
	level  uint64 // level of the last frame
}

// heel is the last three samples of a channel, the newest last.
type heel [3]float64

func newPeakHold(window, channels int) peakHold {
	return peakHold{window: newSlidingMax(window), heels: make([]heel, channels)}
}

// ignore makes the hold treat all levels up to this one as equal.
func (p *peakHold) ignore(level float64) { p.floor = math.Float64bits(level * (1 / mostCrest)) }

// limit is the magnitude above which a sample's crest counts.
func (p *peakHold) limit(level uint64) uint64 {
	return max(p.floor, math.Float64bits(math.Float64frombits(level)*(1/mostCrest)))
}

// process stores the level of each frame; or, if it is the same for all of
// them, only the first, and then returns true. Levels are the bits of
// magnitudes.
func (p *peakHold) process(level []uint64, planes Block, from, to int) (flat bool) {
	largest := magnitudes(level, planes, from, to)
	newest := level[len(level)-1]
	crestless := p.last <= p.limit(p.level)
	held, flat := p.window.held(len(level), largest)
	switch {
	case flat && crestless && largest <= p.limit(held):
		p.window.pass(level, largest)
		p.level, level[0] = held, held
	case crestless && largest <= p.floor:
		flat = false
		p.window.process(level)
		p.level = level[len(level)-1]
	default:
		flat = false
		p.climb(level, planes, from)
	}
	p.last = newest
	for c := range p.heels {
		p.heels[c].move(planes[c][from:to])
	}
	return flat
}

// magnitudes stores the largest |sample| of the planes for each frame, and
// returns the largest of all.
func magnitudes(level []uint64, planes Block, from, to int) (largest uint64) {
	first := planes[0][from:to]
	if len(planes) == 1 {
		return vector.Magnitudes(level, first, first)
	}
	largest = vector.Magnitudes(level, first, planes[1][from:to])
	for _, plane := range planes[2:] {
		for i, x := range plane[from:to] {
			v := max(level[i], vector.Magnitude(x))
			level[i] = v
			largest = max(largest, v)
		}
	}
	return largest
}

// climb is window.process with crests.
func (p *peakHold) climb(level []uint64, planes Block, from int) {
	w := &p.window
	held, last := p.level, p.last
	limit := p.limit(held)
	for done := 0; done < len(level); {
		n := min(len(level)-done, len(w.ring)-1-w.at)
		segment := level[done : done+n]
		now, before := w.ring[w.at:][:n], w.ring[w.at+1:][:n]
		prefix := w.prefix
		for i, v := range segment {
			crest := uint64(0)
			if last > limit {
				crest = p.crests(planes, from, done+i)
			}
			last, v = v, max(v, crest)
			prefix = max(prefix, v)
			now[i] = v
			if l := max(prefix, before[i]); l != held {
				held, limit = l, p.limit(l)
			}
			segment[i] = held
		}
		w.prefix = prefix
		if w.at += n; w.at == len(w.ring)-1 {
			w.turn()
		}
		done += n
	}
	p.level = held
}

// crests is the largest crest that becomes known at frame i after from.
func (p *peakHold) crests(planes Block, from, i int) (largest uint64) {
	for c, plane := range planes {
		x := plane[from:]
		y, after := p.heels[c][2], x[i]
		if i > 0 {
			y = x[i-1]
		}
		if vector.Magnitude(y) <= vector.Magnitude(after) {
			continue
		}
		var s heel
		if i >= len(s) {
			s = heel(x[i-len(s):])
		} else {
			copy(s[copy(s[:], p.heels[c][i:]):], x)
		}
		largest = max(largest, math.Float64bits(crest(s[0], s[1], y, after)))
	}
	return largest
}

// crest is the amplitude of the sine through three consecutive samples, of
// which the middle one, y, is the largest. With a and b the differences from y
// to the other two and ω the sine's angle per sample,
//
//	cos ω = 1 − (a+b)/2y
//	A²    = y² + (a−b)²/4sin²ω = y² (1 + (a−b)²/((a+b)(4y−a−b)))
//
// It is 0 if the sine is not below a quarter of the rate, or if the sample
// before the three differs from the sine by more than a quarter of a+b: then
// they are not a tone but, for example, a step. Noise on the samples is not
// amplified without bound, since a and b are not negative: A lies between y and
// mostCrest times y.
func crest(earlier, before, y, after float64) float64 {
	if y < 0 {
		earlier, before, y, after = -earlier, -before, -y, -after
	}
	a, b := y-before, y-after
	down := a + b
	if !(a >= 0 && b >= 0 && down > 0 && down < 2*y) {
		return 0
	}
	// A sine continues by x[n−1] = 2 cos ω x[n] − x[n+1].
	if off := earlier + y - float64((2-down/y)*before); !(math.Abs(off) <= down/4) {
		return 0
	}
	d := a - b
	if c := y * math.Sqrt(1+float64(d*d)/float64(down*(float64(4*y)-down))); c > y {
		return c
	}
	return y // also if the squares overflow
}

// mostCrest is √2, with a margin for rounding: (a−b)² ≤ (a+b)² ≤ (a+b)(4y−a−b)
// for a+b ≤ 2y.
const mostCrest = math.Sqrt2 * (1 + 1e-12)

func (h *heel) move(x []float64) {
	if len(x) >= len(h) {
		*h = heel(x[len(x)-len(h):])
		return
	}
	copy(h[:], h[len(x):])
	copy(h[len(h)-len(x):], x)
}

func (p *peakHold) reset() {
	p.window.reset()
	clear(p.heels)
	p.last, p.level = 0, 0
}
