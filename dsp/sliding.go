package dsp

import "math"

// slidingMax is the largest of the last frames of a signal that is never
// negative. It works in constant time a frame, in blocks as long as the window
// (van Herk, Pattern Recognition Letters 13 (1992) 517; Gil and Werman, IEEE
// PAMI 15 (1993) 504): the window ends with the running block, of which a
// running maximum is kept, and begins with the rest of the block before, of
// which the maxima from each frame to its end are kept.
//
// Values are held as their bits, which order as the numbers do and which the
// processor compares without branching.
type slidingMax struct {
	// ring holds the running block's values up to at, and behind that the
	// suffix maxima of the block before. One more place holds 0.
	ring   []uint64
	at     int
	prefix uint64 // largest value of the running block
}

func newSlidingMax(window int) slidingMax { return slidingMax{ring: make([]uint64, window+1)} }

// process replaces each value by the largest of the window that ends with it.
func (s *slidingMax) process(x []float64) {
	for len(x) > 0 {
		n := min(len(x), len(s.ring)-1-s.at)
		now, before := s.ring[s.at:s.at+n], s.ring[s.at+1:s.at+1+n]
		prefix := s.prefix
		for i := range now {
			v := math.Float64bits(x[i])
			prefix = max(prefix, v)
			now[i] = v
			x[i] = math.Float64frombits(max(prefix, before[i]))
		}
		s.prefix = prefix
		if s.at += n; s.at == len(s.ring)-1 {
			s.turn()
		}
		x = x[n:]
	}
}

// next takes one value and returns the largest of the window.
func (s *slidingMax) next(v float64) float64 {
	bits := math.Float64bits(v)
	s.prefix = max(s.prefix, bits)
	s.ring[s.at] = bits
	s.at++
	largest := max(s.prefix, s.ring[s.at])
	if s.at == len(s.ring)-1 {
		s.turn()
	}
	return math.Float64frombits(largest)
}

// turn makes the full running block the block before.
func (s *slidingMax) turn() {
	largest := uint64(0)
	for i := len(s.ring) - 2; i >= 0; i-- {
		largest = max(largest, s.ring[i])
		s.ring[i] = largest
	}
	s.at, s.prefix = 0, 0
}

func (s *slidingMax) reset() {
	clear(s.ring)
	s.at, s.prefix = 0, 0
}

// slidingSum is the sum of the last frames, by the same scheme as slidingMax.
// Each sum is made anew from at most a window of values, so that rounding does
// not pile up: a window of zeros sums to exactly 0, however loud it was before.
type slidingSum struct {
	ring   []float64
	at     int
	prefix float64
}

func newSlidingSum(window int) slidingSum { return slidingSum{ring: make([]float64, window+1)} }

// next takes one value and returns the sum of the window.
func (s *slidingSum) next(v float64) float64 {
	s.prefix += v
	s.ring[s.at] = v
	s.at++
	sum := s.prefix + s.ring[s.at]
	if s.at == len(s.ring)-1 {
		s.turn()
	}
	return sum
}

func (s *slidingSum) turn() {
	sum := 0.0
	for i := len(s.ring) - 2; i >= 0; i-- {
		sum += s.ring[i]
		s.ring[i] = sum
	}
	s.at, s.prefix = 0, 0
}

func (s *slidingSum) reset() {
	clear(s.ring)
	s.at, s.prefix = 0, 0
}
