package vector

import (
	"fmt"
	"math"
)

// CoarseDoubled is a coarse sound at twice its rate: each sample is followed by a reading in the
// middle of the interval behind it. Pairs of a sample and the middle behind it, and pairs of a
// middle and the sample behind it, are stored by interval.
type CoarseDoubled struct {
	middles, samples CoarseSound // pairs of both, then the swapped ones of both, one after the other
	readings         []int32     // |middle| · CoarseUnit, before it is rounded
}

// NewCoarseDoubled returns a sound with room for a number of intervals.
func NewCoarseDoubled(intervals int) CoarseDoubled {
	all := make([]uint32, 4*intervals)
	part := func(k int) []uint32 { return all[k*intervals : (k+1)*intervals] }
	return CoarseDoubled{CoarseSound{part(0), part(2)}, CoarseSound{part(1), part(3)}, make([]int32, intervals)}
}

// CoarseMiddle is a symmetric row with taps of 16 bits, which reads in the middle of an interval.
type CoarseMiddle struct {
	half int
	taps [][2]int16 // by distance, two at a time
}

// NewCoarseMiddle rounds the taps on one side, the nearest one first, to whole numbers. It panics
// unless their number is a multiple of 4, each |tap| is below 1, and a middle below 2^14 for
// samples of CoarsePeak, so that sums of two fit into 16 bits.
func NewCoarseMiddle(taps []float64) *CoarseMiddle {
	m := &CoarseMiddle{half: len(taps), taps: make([][2]int16, len(taps)/2)}
	l1 := 0.0
	for j, tap := range taps {
		whole := math.RoundToEven(tap * CoarseUnit)
		l1 += float64(math.Abs(whole) * 2 / CoarseUnit)
		if math.Abs(whole) >= CoarseUnit {
			panic(fmt.Sprintf("vector: a tap of %g in a coarse row", tap))
		}
		m.taps[j/2][j%2] = int16(whole)
	}
	if len(taps)%4 != 0 || float64(l1*CoarsePeak)+1 >= 1<<14 {
		panic(fmt.Sprintf("vector: a coarse row of 2 times %d taps, of a sum of magnitudes of %g", len(taps), l1))
	}
	return m
}

// Half returns the number of samples that the row reads on either side of its interval.
func (m *CoarseMiddle) Half() int { return m.half }

// Double stores 16 intervals from one on.
func (m *CoarseMiddle) Double(s *CoarseSound, from int, to *CoarseDoubled) {
	const n = CoarseWindows
	late, early := s.pairs[from+1:][:m.half+n-2], s.swapped[from-m.half+1:][:m.half+n-2]
	if hasCoarse {
		middlesSIMD(&m.taps[0], m.half/4, &late[0], &early[m.half-2], &middlesTo{
			&s.pairs[from : from+n][0], &s.swapped[from : from+n][0],
			&to.samples.pairs[from : from+n][0], &to.samples.swapped[from : from+n][0],
			&to.middles.pairs[from : from+n][0], &to.middles.swapped[from : from+n][0],
			&to.readings[from : from+n][0],
		})
		return
	}
	m.double(s, from, to)
}

// middlesTo is where assembly finds samples and stores what it makes of them.
type middlesTo struct {
	pairs, swapped, samples, samplesSwapped, middles, middlesSwapped *uint32
	readings                                                         *int32
}

func (m *CoarseMiddle) double(s *CoarseSound, from int, to *CoarseDoubled) {
	for i := from; i < from+CoarseWindows; i++ {
		var sum int32
		for j, two := range m.taps {
			later, earlier := s.pairs[i+1+2*j], s.swapped[i-1-2*j]
			sum += int32(two[0])*int32(int16(earlier)+int16(later)) + int32(two[1])*int32(int16(earlier>>16)+int16(later>>16))
		}
		middle := uint32((sum + CoarseUnit/2) >> 15)
		sample, next := s.pairs[i], s.swapped[i] // in the lower halves
		to.samples.pairs[i], to.samples.swapped[i] = sample&0xffff|middle<<16, middle&0xffff|sample<<16
		to.middles.pairs[i], to.middles.swapped[i] = middle&0xffff|next<<16, next&0xffff|middle<<16
		to.readings[i] = max(sum, -sum)
	}
}

// DoubledReadings are the largest readings of successive intervals: of their first halves, of
// their second halves, and in the middle.
type DoubledReadings [3]CoarseReadings

// Above returns the intervals that read more than a level: bit i is interval i.
func (r *DoubledReadings) Above(level int32) uint32 {
	return r[0].Above(level) | r[1].Above(level) | r[2].Above(level)
}

// Largest returns the largest of the readings.
func (r *DoubledReadings) Largest() int32 {
	if hasAVX2 {
		return largestAVX2(&r[0][0], len(r)*CoarseWindows/8)
	}
	return max(r[0].Largest(), r[1].Largest(), r[2].Largest())
}

// Halves stores the largest |reading| of all rows over the halves of 16 intervals from one on:
// the rows read the doubled sound.
func (c *Coarse) Halves(d *CoarseDoubled, from int, out *DoubledReadings) {
	half := c.half / 2
	n := half + CoarseWindows - 1
	late, early := d.middles.pairs[from:][:n], d.middles.swapped[from-half:][:n]
	late2, early2 := d.samples.pairs[from+1:][:n], d.samples.swapped[from-half+1:][:n]
	out[2] = CoarseReadings(d.readings[from : from+CoarseWindows])
	if hasCoarse { // the second halves are one place after the same of the other sound
		coarseSIMD(&c.taps[0], half, c.groups, &late[0], &early[half-1], 4, &out[0][0], 2, 4*(len(d.readings)+1))
		return
	}
	c.readings(late, early, half-1, 1, out[0][:])
	c.readings(late2, early2, half-1, 1, out[1][:])
}
