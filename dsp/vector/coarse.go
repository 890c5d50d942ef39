package vector

import (
	"fmt"
	"math"
	"slices"
)

// Coarse is a bank of mirrored rows (see Mirrored) with taps of 16 bits, for sounds of 13 bits.
// It reads 16 windows at a time, and a register holds 16 products.
type Coarse struct {
	half   int // samples on either side of an interval, an even number
	groups int
	taps   [][4][2]int16 // of each group, half/2
}

// CoarseUnit is a tap of 1 as a whole number, CoarsePeak the largest sample. Readings are below
// 2^31 for rows whose magnitudes add up to less than 16, and for rows that read a CoarseDoubled,
// if they add up to less than 4.
const (
	CoarseUnit = 1 << 15
	CoarsePeak = 1<<12 - 1
)

// CoarseWindows is the number of windows of one call of Readings.
const CoarseWindows = 16

// CoarseReadings are the largest readings of successive windows.
type CoarseReadings [CoarseWindows]int32

// Above returns the windows that read more than a level: bit i is window i.
func (r *CoarseReadings) Above(level int32) uint32 {
	if hasAVX2 {
		return aboveAVX2(r, level)
	}
	return r.above(level)
}

func (r *CoarseReadings) above(level int32) (windows uint32) {
	for i, v := range r {
		if v > level {
			windows |= 1 << i
		}
	}
	return windows
}

// Largest returns the largest of the readings.
func (r *CoarseReadings) Largest() int32 { return LargestOf(r[:]) }

// LargestOf returns the largest of one or more readings.
func LargestOf(readings []int32) int32 {
	n := len(readings)
	if !hasAVX2 || n < 8 {
		return slices.Max(readings)
	}
	largest := largestAVX2(&readings[0], n/8)
	if n%8 != 0 { // the last eight once more, in part
		largest = max(largest, largestAVX2(&readings[n-8], 1))
	}
	return largest
}

// Rounded returns the bank with its taps rounded to whole numbers. It panics unless Half is
// even and each |tap| below 1.
func (m *Mirrored) Rounded() *Coarse {
	if m.Half%2 != 0 {
		panic("vector: a coarse bank with an odd half length")
	}
	c := &Coarse{half: m.Half, groups: m.groups}
	whole := func(tap float64) int16 {
		v := math.RoundToEven(tap * CoarseUnit)
		if math.Abs(v) >= CoarseUnit {
			panic(fmt.Sprintf("vector: a tap of %g in a coarse bank", tap))
		}
		return int16(v)
	}
	for j := 0; j < len(m.Taps); j += 2 {
		var two [4][2]int16
		for k := range two {
			two[k] = [2]int16{whole(m.Taps[j][k]), whole(m.Taps[j+1][k])}
		}
		c.taps = append(c.taps, two)
	}
	return c
}

// Half returns the number of samples that a row reads on either side of its interval.
func (c *Coarse) Half() int { return c.half }

// CoarseSound is a sound of whole numbers: pairs of successive samples, with the first one in
// the lower half, and the same pairs swapped.
type CoarseSound struct{ pairs, swapped []uint32 }

// NewCoarseSound returns a sound with room for a number of samples.
func NewCoarseSound(samples int) CoarseSound {
	return CoarseSound{make([]uint32, samples), make([]uint32, samples)}
}

// Set stores samples from an index on, multiplied by scale and rounded. No |sample| times scale
// may exceed CoarsePeak. The last sample is stored only as the second of a pair.
func (s *CoarseSound) Set(from int, x []float64, scale float64) {
	if len(x) < 2 {
		return
	}
	n := len(x) - 1
	pairs, swapped := s.pairs[from:from+n], s.swapped[from:from+n]
	if whole := n &^ 3; hasAVX2 && whole > 0 {
		coarsenAVX2(&x[0], scale, &pairs[0], &swapped[0], whole/4)
		if whole == n {
			return
		}
		x, pairs, swapped = x[whole:], pairs[whole:], swapped[whole:]
	}
	coarsen(x, scale, pairs, swapped)
}

func coarsen(x []float64, scale float64, pairs, swapped []uint32) {
	first := uint32(int32(math.RoundToEven(x[0] * scale)))
	for i := range pairs {
		second := uint32(int32(math.RoundToEven(x[i+1] * scale)))
		pairs[i], swapped[i] = first&0xffff|second<<16, second&0xffff|first<<16
		first = second
	}
}

// Readings stores the largest |reading| of all rows over each of 16 successive windows of
// 2·Half samples. The first window starts at from.
func (c *Coarse) Readings(s *CoarseSound, from int, out *CoarseReadings) {
	c.ReadingsOf(s, from, out[:])
}

// ReadingsOf is Readings of as many windows as out has room for, a multiple of 16.
func (c *Coarse) ReadingsOf(s *CoarseSound, from int, out []int32) {
	n := len(out)
	if n == 0 || n%CoarseWindows != 0 {
		panic("vector: coarse readings of a number of windows that is no multiple of 16")
	}
	late := s.pairs[from+c.half : from+2*c.half+n-2]
	early := s.swapped[from : from+c.half+n-2]
	if hasCoarse {
		coarseSIMD(&c.taps[0], c.half/2, c.groups, &late[0], &early[c.half-2], 8, &out[0], n/CoarseWindows, 4*CoarseWindows)
		return
	}
	c.readings(late, early, c.half-2, 2, out)
}

// readings reads windows with the pairs of taps step places apart. Those nearest to the middle
// of the first window are late[0] and early[last].
func (c *Coarse) readings(late, early []uint32, last, step int, out []int32) {
	for i := range out {
		out[i] = 0
		for taps := c.taps; len(taps) > 0; taps = taps[c.half/2:] {
			var sums [4]int32
			for j := range taps[:c.half/2] {
				two := &taps[j]
				later, earlier := late[i+step*j], early[i+last-step*j]
				s0, s1 := int32(int16(earlier)+int16(later)), int32(int16(earlier>>16)+int16(later>>16))
				d0, d1 := int32(int16(earlier)-int16(later)), int32(int16(earlier>>16)-int16(later>>16))
				sums[0] += int32(two[0][0])*s0 + int32(two[0][1])*s1
				sums[1] += int32(two[1][0])*d0 + int32(two[1][1])*d1
				sums[2] += int32(two[2][0])*s0 + int32(two[2][1])*s1
				sums[3] += int32(two[3][0])*d0 + int32(two[3][1])*d1
			}
			for k := range sums {
				sums[k] = max(sums[k], -sums[k])
			}
			out[i] = max(out[i], sums[0]+sums[1], sums[2]+sums[3])
		}
	}
}
