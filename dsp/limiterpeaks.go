package dsp

import (
	"math"
	"math/bits"

	"github.com/boothbench/boothbench/dsp/vector"
)

// peakFinder finds true peaks over a limit by two interpolators: the one of Rec.
// ITU-R BS.1770-5 Annex 2, by which the result will be judged, and a long
// windowed sinc, which keeps the finer readings down as well. With peaks
// detected by Annex 2 alone, speech driven by 24 dB exceeds the ceiling by 0.10
// dB on a sinc of 64 phases and 256 taps; detected by both, by 0.001 dB (the
// recording of limiter_test.go).
//
// Most intervals are never interpolated: bounds (see Polyphase) show that they
// cannot exceed the limit. The result is the same, bit for bit.
type peakFinder struct {
	half                int        // half length of the longer interpolator, in samples
	short, long         *Polyphase // long may be missing
	noise               *noiseCell // scratch memory; without long none
	l1, flat, curvature float64    // largest of the banks'
	interpolateAll      bool       // lets a test show that skipping changes nothing
}

// newPeakFinder chooses the sinc by the latency in frames: 32 taps where this
// leaves five sixths of the latency for lowering the gain, which is so from 2
// ms at 48 kHz; otherwise 16 taps, or none.
func newPeakFinder(latency int) peakFinder {
	f := peakFinder{short: annex2Bank()}
	// Kaiser's beta 6.5 keeps the ripple at 0.004 dB (Kaiser 1974). With 16
	// phases a band-limited peak lies at most cos(π/32), 0.042 dB, above the
	// largest reading (Ehlich & Zeller 1964).
	switch {
	case latency >= 6*16:
		f.long = sharedSinc(16, 32, 6.5)
	case latency >= 3*8:
		f.long = sharedSinc(16, 16, 6.5)
	}
	f.half, f.l1 = f.short.Half(), f.short.L1()
	f.flat, f.curvature = f.short.Bound()
	if f.long != nil {
		f.noise = &noiseCell{
			coarse: [2]coarseSketch{f.short.coarseSketch(SketchSize{Every: 1}), f.long.coarseSketch(SketchSize{Every: 2})},
			sound:  newCoarseSound(limiterSegment + 2*f.long.half + 2*vector.CoarseWindows),
		}
		flat, curvature := f.long.Bound()
		f.half, f.l1 = f.long.Half(), max(f.l1, f.long.L1())
		f.flat, f.curvature = max(f.flat, flat), max(f.curvature, curvature)
	}
	return f
}

// find searches the intervals from … to−1 of a plane; interval i lies between
// samples i and i+1. Where a peak of sample i or of interval i exceeds the
// limit, peaks[i−from] is raised to it, and peaks[i−from+1] to the interval's.
// It reports whether there was one.
//
// Peaks that would not change the envelope are skipped: those that do not
// exceed an earlier one of the same cell of its grid.
func (f *peakFinder) find(p *limiterPlane, from, to int, e *reductionEnvelope, peaks []float64) bool {
	limit := e.floor(to - from)
	covered, gridEnd := e.largestPeak, from+e.left
	over := false
	if f.noise != nil {
		f.noise.of(p, from, to)
	}
	for i := from; i < to; {
		if i == gridEnd {
			covered, gridEnd = 0, gridEnd+e.grid
		}
		cell := i / peakCell
		next := min(to, (cell+1)*peakCell, gridEnd)
		need := max(limit, covered)
		if next == gridEnd { // the last interval also counts for the next grid cell
			need = limit
		}
		around := max(p.cells[cell-1], p.cells[cell], p.cells[cell+1])
		if around*f.l1 > need || f.interpolateAll {
			curvature := max(p.curvature(cell-1), p.curvature(cell), p.curvature(cell+1))
			highest := max(p.cells[cell], math.Abs(p.x[next]))
			if float64(f.flat*highest)+float64(f.curvature*curvature) > need || f.interpolateAll {
				largest := f.findInCell(p.x, i, next, next == gridEnd, limit, covered, curvature, peaks[i-from:])
				covered = max(covered, largest)
				over = over || largest > 0
			}
		}
		i = next
	}
	return over
}

// findInCell returns the largest peak that it stored, or 0.
func (f *peakFinder) findInCell(x []float64, from, to int, spills bool, limit, covered, curvature float64, peaks []float64) (largest float64) {
	need := max(limit, covered)
	cell := cellPeaks{peakFinder: f, few: [2]fewPeaks{{bank: f.short, x: x}, {bank: f.long, x: x}}, curvature: curvature}
	threshold := f.threshold(need, curvature)
	open := uint32(1)<<(to-from) - 1 // bit i: interval from+i may have a peak over need
	if threshold < 0 && f.noise != nil && !f.interpolateAll {
		least := need
		if spills {
			least = limit
		}
		cell.noise = f.noise
		open = f.noise.open(from, to, least)
	}
	for ; open != 0; open &= open - 1 {
		i := from + bits.TrailingZeros32(open)
		if spills && i == to-1 {
			need = limit
			threshold = f.threshold(need, curvature)
		}
		before := math.Abs(x[i])
		side := max(before, math.Abs(x[i+1]))
		if cell.noise == nil && side <= threshold {
			continue // of a peak before
		}
		peak := cell.peak(i, need, side, alone(open>>(i-from)))
		if peak > need {
			peaks[i-from] = max(peaks[i-from], peak)
			peaks[i-from+1] = max(peaks[i-from+1], peak)
		}
		if before > need {
			peaks[i-from] = max(peaks[i-from], before)
		}
		if peak = max(peak, before); peak > need {
			largest, need = max(largest, peak), peak
			threshold = f.threshold(need, curvature)
		}
	}
	return largest
}

// cellPeaks bounds and reads the intervals of a cell.
type cellPeaks struct {
	*peakFinder
	few       [2]fewPeaks // of short and long
	curvature float64
	noise     *noiseCell // nil if second differences may decide
}

// peak is the largest reading of interval i if it exceeds need, otherwise some number that
// does not. side is the larger of the two samples beside the interval.
func (c *cellPeaks) peak(i int, need, side float64, alone bool) (peak float64) {
	if c.noise == nil || c.noise.mayExceed(0, i, need, side) {
		peak = c.few[0].at(i, alone)
	}
	if c.long == nil {
		return peak
	}
	x, value := c.few[1].x, max(need, peak)
	switch {
	case c.interpolateAll || c.few[1].knows(i):
	case c.noise != nil:
		if !c.noise.mayExceed(1, i, value, side) {
			return peak
		}
	case c.long.decides(c.curvature, value) && c.long.AtMost(x[i-c.half+1:i+c.half+1], c.curvature) <= value:
		return peak
	}
	return max(peak, c.few[1].at(i, alone))
}

// noiseCell decides where second differences cannot, as in noise: by coarse sketches of
// short and long.
type noiseCell struct {
	coarse [2]coarseSketch
	plane  *limiterPlane
	from   int // the intervals from … to−1 of the plane are searched
	to     int
	begun  bool // sound is theirs
	sound  coarseSound
	first  int // the interval of the first of found
	found  [2]vector.CoarseReadings
	unit   float64
	missed [2]float64 // readings exceed found by this at most
}

// of sets the intervals that are searched next.
func (c *noiseCell) of(p *limiterPlane, from, to int) {
	c.plane, c.from, c.to, c.begun = p, from, to, false
}

// open reads the sketches of intervals from … to−1 of a cell, and returns which of them may
// have a peak over a value: bit i stands for interval from+i.
func (c *noiseCell) open(from, to int, value float64) (open uint32) {
	half, x := c.coarse[1].bank.Half(), c.plane.x
	if !c.begun {
		c.begun = true
		c.sound.begin(x[c.from-half+1:c.to+half], vector.Peak(c.plane.cells[c.from/peakCell-1:(c.to-1)/peakCell+2]))
	}
	c.first = from
	for _, k := range [...]int{1, 0} { // the longer one first: it makes all samples
		c.coarse[k].read(&c.sound, half-1+from-c.from, &c.found[k])
		c.missed[k] = c.coarse[k].missedBy(c.sound.peak, 0)
	}
	c.unit = c.sound.unit()
	short, long := c.sound.level(value-c.missed[0]), c.sound.level(value-c.missed[1])
	side := value - max(c.missed[0], c.missed[1])
	open = c.found[0].Above(short) | c.found[1].Above(long) | besideOver(x[from:to+1], side)
	return open & (1<<(to-from) - 1)
}

// besideOver are the intervals between samples one of which is over a value: bit i stands
// for that between x[i] and x[i+1].
func besideOver(x []float64, value float64) (open uint32) {
	if vector.Peak(x) <= value {
		return 0
	}
	for i, v := range x {
		if math.Abs(v) > value {
			open |= 3 << i // of the interval before it and of that behind it, a place too high
		}
	}
	return open >> 1
}

// mayExceed reports whether a bank may read more than a value in interval i.
func (c *noiseCell) mayExceed(bank, i int, value, side float64) bool {
	return max(float64(c.found[bank][i-c.first])*c.unit, side)+c.missed[bank] > value
}

// threshold is the value that a sample on either side of an interval must
// exceed for a reading over need to be possible.
func (f *peakFinder) threshold(need, curvature float64) float64 {
	if f.interpolateAll {
		return -1
	}
	return (need - float64(f.curvature*curvature)) / f.flat
}
