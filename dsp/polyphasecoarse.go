package dsp

import (
	"math"

	"github.com/boothbench/boothbench/dsp/vector"
)

// coarseSketch is a sketch that reads whole numbers of 16 bits, which is five times as fast.
// The rounding of taps and samples is part of missed.
type coarseSketch struct {
	bank *vector.Coarse
	sketchBound
}

// coarseSketch returns a sketch with an even half length.
func (b *Polyphase) coarseSketch(size SketchSize) coarseSketch {
	one := b.sketchOf(size, func(tap float64) float64 { return math.RoundToEven(tap*vector.CoarseUnit) / vector.CoarseUnit })
	// A sample is off by at most half a unit; the largest sample is CoarsePeak units.
	return coarseSketch{one.bank.mirrored.Rounded(), sketchBound{one.missed + float64(one.bank.L1()*0.5/vector.CoarsePeak*boundMargin), one.outside}}
}

// doubledSketch is a sketch of a long bank in whole numbers, in two steps: the middle taps of the
// bank's row halfway between two samples double the rate, and a short bank reads the sound of
// twice the rate. For the same rows this takes a third of the time.
type doubledSketch struct {
	middle *vector.CoarseMiddle
	short  *vector.Coarse
	half   int // samples that it reads on either side of an interval
	// A reading of the bank's taps within half exceeds the largest of the sketch's readings and
	// of the two samples beside the interval by at most missed times the largest |sample|; a
	// reading of its other taps is at most outside times that.
	missed, outside float64
}

const (
	doubledMiddle = 80 // taps on either side of the row in the middle
	doubledShort  = 4  // samples of the doubled sound on either side that the short bank reads
	doubledRows   = 8  // of the halves of an interval, with the one at a sample
)

// doubledSketch returns a sketch of a bank whose rows read at equal distances inside an interval,
// with one in the middle. The shape of the short bank's Kaiser window, 6, misses least.
//
// Derivation of missed: what the sketch reads is a row of taps too, the sum of the short bank's
// taps times those of what it reads: a sample, or the row in the middle. From there it is that of
// Sketches. The taps are counted as they are rounded; a sample is off by half a unit at most, and
// a middle by that of its samples and half a unit more.
func (b *Polyphase) doubledSketch() doubledSketch {
	steps := len(b.rows) + 1
	rounded := func(tap float64) float64 { return float64(math.RoundToEven(tap*vector.CoarseUnit) / vector.CoarseUnit) }
	near := make([]float64, doubledMiddle)
	for j := range near {
		near[j] = rounded(b.rows[steps/2-1][b.half+j])
	}
	sinc := WindowedSinc(doubledRows, 2*doubledShort, 6)
	d := doubledSketch{middle: vector.NewCoarseMiddle(near), short: sinc.mirrored.Rounded(), half: doubledMiddle + doubledShort}

	// What reads at step of steps: taps from b.half+doubledShort samples before the interval on.
	const beside = doubledShort
	sum := 0.0 // of the middle's |taps|
	for _, tap := range near {
		sum += float64(2 * math.Abs(tap))
	}
	units := 0.0 // that a reading is off by
	add := func(taps []float64, at int, share float64) (off float64) {
		first := beside + b.half - 1 + at>>1 // the sample before it, or the sample itself
		if at&1 == 0 {
			taps[first] += share
			return math.Abs(share) / 2
		}
		for j, tap := range near {
			taps[first-j] += float64(share * tap)
			taps[first+1+j] += float64(share * tap)
		}
		return math.Abs(share) * (sum + 1) / 2
	}
	every := steps / 2 / doubledRows
	kept := make([][]float64, 2*doubledRows+1)
	for k := range kept {
		kept[k] = make([]float64, 2*(b.half+beside))
		halves, row := k/doubledRows, k%doubledRows
		off := 0.0
		if row == 0 {
			off = add(kept[k], halves, 1)
		} else {
			for j := range doubledShort {
				early, late := sinc.rows[row-1][doubledShort-1-j], sinc.rows[row-1][doubledShort+j]
				even, odd := rounded((early+late)/2), rounded((early-late)/2)
				off += add(kept[k], halves-j, even+odd) + add(kept[k], halves+1+j, even-odd)
			}
		}
		units = max(units, off)
	}
	for p, row := range b.rows {
		k, share := (p+1)/every, float64((p+1)%every)/float64(every)
		missed, outside := 0.0, 0.0
		for j, tap := range kept[k] {
			want := 0.0
			if at := j - beside; at >= 0 && at < len(row) {
				want = row[at]
			}
			if at := j - beside - b.half; at < -d.half || at >= d.half {
				outside += math.Abs(want)
			} else {
				missed += math.Abs(want - float64((1-share)*tap) - float64(share*kept[min(k+1, 2*doubledRows)][j]))
			}
		}
		d.missed, d.outside = max(d.missed, missed), max(d.outside, outside)
	}
	d.missed, d.outside = (d.missed+units/vector.CoarsePeak)*boundMargin, d.outside*boundMargin
	return d
}

// coarseSound is a sound in whole numbers. Samples are converted when they are first read, in
// ascending order.
type coarseSound struct {
	whole      vector.CoarseSound
	x          []float64
	peak       float64 // at least the largest |sample|
	scale      float64
	from, made int // samples from … made−1 are converted

	doubled      vector.CoarseDoubled // without room unless newDoubledSound has made it
	begin2, end2 int                  // intervals begin2 … end2−1 are doubled
}

func newCoarseSound(samples int) coarseSound {
	return coarseSound{whole: vector.NewCoarseSound(samples)}
}

// newDoubledSound is newCoarseSound for doubled sketches too.
func newDoubledSound(samples int) coarseSound {
	return coarseSound{whole: vector.NewCoarseSound(samples), doubled: vector.NewCoarseDoubled(samples)}
}

// begin starts with a sound whose largest |sample| is at most peak.
func (s *coarseSound) begin(x []float64, peak float64) {
	const least = 1e-100 // its inverse is finite
	s.x, s.peak, s.from, s.made, s.begin2, s.end2 = x, max(peak, least), 0, 0, 0, 0
	s.scale = vector.CoarsePeak / s.peak
}

// unit returns the value of a reading of 1 in the sound's units, rounded up.
func (s *coarseSound) unit() float64 {
	return s.peak / (vector.CoarseUnit * vector.CoarsePeak) * boundMargin
}

// level returns the largest whole number that is at most a value; −1 for a value below 0.
func (s *coarseSound) level(value float64) int32 {
	return int32(max(-1, min(math.MaxInt32, math.Floor(value/s.unit()))))
}

// convert converts samples from … to−1, as far as there are.
func (s *coarseSound) convert(from, to int) {
	if from < s.from || from >= s.made || to > s.made {
		s.convertAhead(from, to)
	}
}

func (s *coarseSound) convertAhead(from, to int) {
	const ahead = 48 // samples; few at a time take longer
	to = min(len(s.x), to)
	if from < s.from || from >= s.made {
		s.from, s.made = from, from
	}
	if to > s.made {
		at := max(s.from, s.made-1)               // the last sample was converted only as the second of a pair
		to = min(len(s.x), at+(to+ahead-at)&^3+1) // pairs, in fours
		s.whole.Set(at, s.x[at:to], s.scale)
		s.made = to
	}
}

// read stores the sketch's readings of 16 intervals from n on, or of as many as out has room for,
// a multiple of 16. The values of intervals whose windows reach beyond the end of the sound are
// undefined.
func (c *coarseSketch) read(s *coarseSound, n int, out []int32) {
	half := c.bank.Half()
	s.convert(n-half+1, n+half+len(out))
	c.bank.ReadingsOf(&s.whole, n-half+1, out)
}

// read is that of a coarseSketch.
func (d *doubledSketch) read(s *coarseSound, n int, out *vector.DoubledReadings) {
	const beside = doubledShort / 2
	if n-beside < s.begin2 || n-beside > s.end2 {
		s.begin2, s.end2 = n-beside, n-beside
	}
	half := d.middle.Half()
	for ; s.end2 < n+vector.CoarseWindows+beside; s.end2 += vector.CoarseWindows {
		s.convert(s.end2-half+1, s.end2+half+vector.CoarseWindows)
		d.middle.Double(&s.whole, s.end2, &s.doubled)
	}
	d.short.Halves(&s.doubled, n, out)
}
