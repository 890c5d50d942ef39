package dsp

import "math"

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
	sketches            Sketches   // of long: one
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
		f.sketches = f.long.Sketches(SketchSize{Every: 4})
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
				largest := f.findInCell(p.x, i, next, next == gridEnd, limit, covered, around, curvature, peaks[i-from:])
				covered = max(covered, largest)
				over = over || largest > 0
			}
		}
		i = next
	}
	return over
}

// findInCell returns the largest peak that it stored, or 0. highest is at least the largest
// |sample| that an interval's window holds.
func (f *peakFinder) findInCell(x []float64, from, to int, spills bool, limit, covered, highest, curvature float64, peaks []float64) (largest float64) {
	need := max(limit, covered)
	threshold := f.threshold(need, curvature)
	before := math.Abs(x[from])
	long := cellPeaks{peakFinder: f, few: fewPeaks{bank: f.long, x: x}, to: to, highest: highest, curvature: curvature}
	var read [peakCell]float64
	var short []float64 // the readings of the cell's last intervals
	for i := from; i < to; i++ {
		after := math.Abs(x[i+1])
		if spills && i == to-1 {
			need = limit
			threshold = f.threshold(need, curvature)
		}
		if before > threshold || after > threshold {
			if short == nil {
				short = read[:to-i]
				f.short.Peaks(x[i-f.short.half+1:to+f.short.half], short)
			}
			// The largest reading if it exceeds need, otherwise some number that does
			// not.
			peak := short[len(short)-(to-i)]
			if f.long != nil && long.mayExceed(i, max(need, peak)) {
				peak = max(peak, long.few.at(i))
			}
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
		before = after
	}
	return largest
}

// cellPeaks bounds and reads the long bank's intervals of a cell.
type cellPeaks struct {
	*peakFinder
	few                fewPeaks
	to                 int // the cell's end
	highest, curvature float64
	sketched           int               // intervals in sketch, the last of the cell
	sketch             [peakCell]float64 // upper bounds
}

// mayExceed reports whether interval i may read more than a value. Where second
// differences cannot decide that, as in noise, a sketch does.
func (c *cellPeaks) mayExceed(i int, value float64) bool {
	switch {
	case c.interpolateAll || c.few.knows(i):
		return true
	case c.long.decides(c.curvature, value):
		return c.long.AtMost(c.few.x[i-c.half+1:i+c.half+1], c.curvature) > value
	}
	if c.sketched == 0 {
		c.sketched = c.to - i
		bounds := c.sketch[:c.sketched]
		c.sketches[0].bank.Peaks(c.few.x[i-c.half+1:c.to+c.half], bounds)
		missed := c.sketches[0].missedBy(c.highest, 0)
		for k := range bounds {
			bounds[k] = max(bounds[k], math.Abs(c.few.x[i+k]), math.Abs(c.few.x[i+k+1])) + missed
		}
	}
	return c.sketch[c.sketched-(c.to-i)] > value
}

// threshold is the value that a sample on either side of an interval must
// exceed for a reading over need to be possible.
func (f *peakFinder) threshold(need, curvature float64) float64 {
	if f.interpolateAll {
		return -1
	}
	return (need - float64(f.curvature*curvature)) / f.flat
}
