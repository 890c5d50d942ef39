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

// coarseSound is a sound in whole numbers. Samples are converted when they are first read, in
// ascending order.
type coarseSound struct {
	whole      vector.CoarseSound
	x          []float64
	peak       float64 // at least the largest |sample|
	scale      float64
	from, made int // samples from … made−1 are converted
}

func newCoarseSound(samples int) coarseSound {
	return coarseSound{whole: vector.NewCoarseSound(samples)}
}

// begin starts with a sound whose largest |sample| is at most peak.
func (s *coarseSound) begin(x []float64, peak float64) {
	const least = 1e-100 // its inverse is finite
	s.x, s.peak, s.from, s.made = x, max(peak, least), 0, 0
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

// read stores the sketch's readings of 16 intervals from n on. The values of intervals whose
// windows reach beyond the end of the sound are undefined.
func (c *coarseSketch) read(s *coarseSound, n int, out *vector.CoarseReadings) {
	half := c.bank.Half()
	from, to := n-half+1, min(len(s.x), n+half+vector.CoarseWindows)
	if from < s.from || from >= s.made {
		s.from, s.made = from, from
	}
	if to > s.made {
		at := max(s.from, s.made-1) // the last sample was converted only as the second of a pair
		s.whole.Set(at, s.x[at:to], s.scale)
		s.made = to
	}
	c.bank.Readings(&s.whole, from, out)
}
