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
	half                int         // half length of the longer interpolator, in samples
	short, long         *Polyphase  // long may be missing
	noise               []noiseCell // scratch memory, by channel; without long none
	cells               []cellBound // the same, by channel and cell of a segment
	l1, flat, curvature float64     // largest of the banks'
	interpolateAll      bool        // lets a test show that skipping changes nothing
}

// cellBound bounds the peaks of a cell's intervals: at most, from what is known of its samples,
// and curvature, the largest |second difference| of their windows.
type cellBound struct{ most, curvature float64 }

// segmentCells is the largest number of cells that a segment touches.
const segmentCells = limiterSegment/peakCell + 1

// newPeakFinder chooses the sinc by the latency in frames: 32 taps where this
// leaves five sixths of the latency for lowering the gain, which is so from 2
// ms at 48 kHz; otherwise 16 taps, or none.
func newPeakFinder(latency, channels int) peakFinder {
	f := peakFinder{short: annex2Bank(), cells: make([]cellBound, channels*segmentCells)}
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
		coarse := [2]coarseSketch{f.short.coarseSketch(SketchSize{Every: 1}), f.long.coarseSketch(SketchSize{Every: 2})}
		for range channels {
			f.noise = append(f.noise, noiseCell{coarse: coarse, sound: newCoarseSound(limiterSegment + 2*f.long.half + 2*vector.CoarseWindows)})
		}
		flat, curvature := f.long.Bound()
		f.half, f.l1 = f.long.Half(), max(f.l1, f.long.L1())
		f.flat, f.curvature = max(f.flat, flat), max(f.curvature, curvature)
	}
	return f
}

// follow appends to runs the reductions that the peaks of intervals from … to−1 of some planes
// request; interval i lies between samples i and i+1, and its peak is one of both samples.
// peaks[0] is the peak of sample from that is known already, all others are 0; what is known of
// sample to is left there.
//
// The envelope depends on little of the peaks of a cell of its grid: on the largest one, if it
// exceeds the attention, and where peaks exceed the level on all that exceed those before them.
// So the largest is looked for first, where it is most likely, and mostly decides the rest.
func (f *peakFinder) follow(planes []limiterPlane, channel, from, to int, e *reductionEnvelope, peaks []float64, runs []reductionRun) []reductionRun {
	if !f.survey(planes, channel, from, to, e.floor(to-from)) && peaks[0] == 0 {
		return e.follow(peaks[:to-from], false, runs)
	}
	for at := from; at < to; {
		end := min(to, at+e.left)
		over := peaks[0] > 0
		if f.interpolateAll {
			f.all(planes, at, end, peaks)
			over = true
		} else if f.find(planes, channel, from, at, end, e, peaks) {
			over = true
		}
		runs = e.follow(peaks[:end-at], over, runs)
		known := peaks[end-at]
		clear(peaks[:end-at+1])
		peaks[0] = known
		at = end
	}
	return runs
}

// all stores the peaks of all intervals.
func (f *peakFinder) all(planes []limiterPlane, from, to int, peaks []float64) {
	for c := range planes {
		x := planes[c].x
		for i := from; i < to; i++ {
			peak := f.short.Peak(x[i-f.short.half+1 : i+f.short.half+1])
			if f.long != nil {
				peak = max(peak, f.long.Peak(x[i-f.long.half+1:i+f.long.half+1]))
			}
			peaks[i-from] = max(peaks[i-from], math.Abs(x[i]), peak)
			peaks[i-from+1] = max(peaks[i-from+1], peak)
		}
	}
}

// survey bounds the peaks of cells, and reports whether one may exceed a limit.
func (f *peakFinder) survey(planes []limiterPlane, channel, from, to int, limit float64) bool {
	over := f.interpolateAll
	first, last := from/peakCell, (to-1)/peakCell
	for c := range planes {
		p := &planes[c]
		bounds := f.bounds(channel+c, from, from, to)
		clear(bounds)
		if f.noise != nil {
			f.noise[channel+c].of(p, from, to)
		}
		if vector.Peak(p.cells[first-1:last+2])*f.l1 <= limit {
			continue
		}
		before, here := p.cells[first-1], p.cells[first]
		for k := range bounds {
			cell := first + k
			after := p.cells[cell+1]
			if max(before, here, after)*f.l1 > limit {
				curvature := max(p.curvature(cell-1), p.curvature(cell), p.curvature(cell+1))
				side := math.Abs(p.x[min(to, (cell+1)*peakCell)])
				most := min(float64(max(before, here, after)*f.l1), float64(f.flat*max(here, side))+float64(f.curvature*curvature))
				if most > limit {
					bounds[k] = cellBound{most, curvature}
					over = true
				}
			}
			before, here = here, after
		}
	}
	return over
}

// bounds are those of a channel's cells with intervals from … to−1. The segment starts at
// interval first.
func (f *peakFinder) bounds(channel, first, from, to int) []cellBound {
	return f.cells[channel*segmentCells:][from/peakCell-first/peakCell : (to-1)/peakCell-first/peakCell+1]
}

// find stores the peaks of intervals from … to−1 that the envelope depends on, which are in one
// cell of its grid. It reports whether there is one. The segment starts at interval first.
func (f *peakFinder) find(planes []limiterPlane, channel, first, from, to int, e *reductionEnvelope, peaks []float64) (over bool) {
	least := max(e.attention, e.largestPeak)
	need := least
	for c := range planes {
		bounds := f.bounds(channel+c, first, from, to)
		for k := range bounds {
			if bounds[k].most > need {
				cell := from/peakCell + k
				one := f.cell(&planes[c], channel+c, bounds[k].curvature)
				need = one.largest(max(from, cell*peakCell), min(to, (cell+1)*peakCell), need)
			}
		}
	}
	if need > least {
		over = true
		if record := e.record * (1 - 1e-9); need <= record { // the margin is for rounding
			peaks[0] = max(peaks[0], need)
		} else {
			for c := range planes {
				f.records(&planes[c], channel+c, from, to, f.bounds(channel+c, first, from, to), record, peaks)
			}
		}
	}
	if to-from == e.left { // the last interval also counts for the next cell of the grid
		attention := e.nextAttention()
		for c := range planes {
			if bounds := f.bounds(channel+c, first, to-1, to); bounds[0].most > attention {
				one := f.cell(&planes[c], channel+c, bounds[0].curvature)
				if peak := one.peak(to-1, attention, true); peak > attention {
					peaks[to-from] = max(peaks[to-from], peak)
				}
			}
		}
	}
	return over
}

// records stores all peaks of a plane that exceed a limit and those before them.
func (f *peakFinder) records(p *limiterPlane, channel, from, to int, bounds []cellBound, limit float64, peaks []float64) {
	need := limit
	for k, bound := range bounds {
		if bound.most <= need {
			continue
		}
		first := (from/peakCell + k) * peakCell
		one := f.cell(p, channel, bound.curvature)
		if one.noise != nil && f.threshold(need, bound.curvature) < 0 {
			one.noise.open(max(from, first), min(to, first+peakCell), need)
		}
		for i := max(from, first); i < min(to, first+peakCell); i++ {
			before := math.Abs(p.x[i])
			if max(before, math.Abs(p.x[i+1])) <= f.threshold(need, bound.curvature) {
				continue
			}
			peak := one.peak(i, need, true)
			if peak = max(peak, before); peak > need {
				need, peaks[i-from] = peak, max(peaks[i-from], peak)
			}
		}
	}
}

// cellPeaks bounds and reads the intervals of a cell.
type cellPeaks struct {
	*peakFinder
	few       [2]fewPeaks // of short and long
	curvature float64
	noise     *noiseCell // nil without long
}

func (f *peakFinder) cell(p *limiterPlane, channel int, curvature float64) cellPeaks {
	c := cellPeaks{peakFinder: f, few: [2]fewPeaks{{bank: f.short, x: p.x}, {bank: f.long, x: p.x}}, curvature: curvature}
	if f.noise != nil {
		c.noise = &f.noise[channel]
	}
	return c
}

// largest is the largest peak of intervals from … to−1 and of the samples before them, or a
// value, if that is larger.
func (c *cellPeaks) largest(from, to int, value float64) float64 {
	const few = 8 // intervals, which take less time than a sketch of all
	x := c.few[0].x
	value = max(value, vector.Peak(x[from:to]))
	open := uint32(1)<<(to-from) - 1 // bit i: interval from+i may have a larger peak
	if threshold := c.threshold(value, c.curvature); threshold >= 0 {
		open &= besideOver(x[from:to+1], threshold)
	}
	var likely int
	if c.noise != nil && bits.OnesCount32(open) > few {
		open = c.noise.open(from, to, value)
		likely = c.noise.largest(from, open)
	} else {
		likely = largestBeside(x[from:to+1], open)
	}
	if open != 0 {
		value = max(value, c.peak(from+likely, value, true))
		open &^= 1 << likely
	}
	for ; open != 0; open &= open - 1 {
		i := bits.TrailingZeros32(open)
		value = max(value, c.peak(from+i, value, alone(open>>i)))
	}
	return value
}

// largestBeside is the interval of those open whose samples are largest: bit i is that between
// x[i] and x[i+1].
func largestBeside(x []float64, open uint32) (likely int) {
	most := -1.0
	for ; open != 0; open &= open - 1 {
		i := bits.TrailingZeros32(open)
		if sum := math.Abs(x[i] + x[i+1]); sum > most {
			most, likely = sum, i
		}
	}
	return likely
}

// peak is the largest reading of interval i if it exceeds need, otherwise some number that
// does not.
func (c *cellPeaks) peak(i int, need float64, alone bool) (peak float64) {
	x := c.few[0].x
	sketched := c.noise != nil && c.noise.has(i)
	side := max(math.Abs(x[i]), math.Abs(x[i+1]))
	if !sketched || c.noise.mayExceed(0, i, need, side) {
		peak = c.few[0].at(i, alone)
	}
	if c.long == nil {
		return peak
	}
	value := max(need, peak)
	switch {
	case c.few[1].knows(i):
	case sketched:
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
	first  int // the intervals first … end−1 are read
	end    int
	found  [2][noiseAhead + vector.CoarseWindows]int32
	unit   float64
	missed [2]float64 // readings exceed found by this at most
}

// noiseAhead is the largest number of intervals that are read at once, where those before them
// were read too.
const noiseAhead = 4 * vector.CoarseWindows

// of sets the intervals that are searched next.
func (c *noiseCell) of(p *limiterPlane, from, to int) {
	c.plane, c.from, c.to, c.begun = p, from, to, false
}

// has reports whether interval i has been read.
func (c *noiseCell) has(i int) bool {
	return c.begun && i >= c.first && i < c.end
}

// largest is the interval, after from, of those open of which the sketches read most.
func (c *noiseCell) largest(from int, open uint32) (likely int) {
	most := int32(-1)
	for ; open != 0; open &= open - 1 {
		i := bits.TrailingZeros32(open)
		if read := max(c.found[0][from-c.first+i], c.found[1][from-c.first+i]); read > most {
			most, likely = read, i
		}
	}
	return likely
}

// open reads the sketches of intervals from … to−1 of a cell, and returns which of them may
// have a peak over a value: bit i stands for interval from+i.
func (c *noiseCell) open(from, to int, value float64) (open uint32) {
	half, x := c.coarse[1].bank.Half(), c.plane.x
	if !c.begun {
		c.begun = true
		c.first, c.end = from, from
		c.sound.begin(x[c.from-half+1:c.to+half], vector.Peak(c.plane.cells[c.from/peakCell-1:(c.to-1)/peakCell+2]))
		c.unit = c.sound.unit()
		for k := range c.missed {
			c.missed[k] = c.coarse[k].missedBy(c.sound.peak, 0)
		}
	}
	if from < c.first || to > c.end {
		n := vector.CoarseWindows
		if from == c.end && from > c.first {
			n = min(noiseAhead, (c.to-from+n-1)/n*n)
		}
		c.first, c.end = from, from+n
		for _, k := range [...]int{1, 0} { // the longer one first: it makes all samples
			c.coarse[k].read(&c.sound, half-1+from-c.from, c.found[k][:n])
		}
	}
	short, long := c.sound.level(value-c.missed[0]), c.sound.level(value-c.missed[1])
	side := value - max(c.missed[0], c.missed[1])
	at := from - c.first
	open = (*vector.CoarseReadings)(c.found[0][at:]).Above(short) | (*vector.CoarseReadings)(c.found[1][at:]).Above(long) | besideOver(x[from:to+1], side)
	return open & (1<<(to-from) - 1)
}

// besideOver are the intervals between samples one of which is over a value: bit i stands
// for that between x[i] and x[i+1].
func besideOver(x []float64, value float64) (open uint32) {
	over := vector.Over(x, value)
	return (over | over>>1) & (1<<(len(x)-1) - 1)
}

// mayExceed reports whether a bank may read more than a value in interval i.
func (c *noiseCell) mayExceed(bank, i int, value, side float64) bool {
	return max(float64(c.found[bank][i-c.first])*c.unit, side)+c.missed[bank] > value
}

// threshold is the value that a sample on either side of an interval must
// exceed for a reading over need to be possible.
func (f *peakFinder) threshold(need, curvature float64) float64 {
	return (need - float64(f.curvature*curvature)) / f.flat
}
