package dsp

// Sliding windows in constant time per frame, in blocks as long as the window
// (van Herk, Pattern Recognition Letters 13 (1992) 517; Gil and Werman, IEEE
// PAMI 15 (1993) 504). A window consists of the current block up to now, for
// which a running result is kept, and the rest of the previous block, for which
// the results from each frame to the block's end are kept.

// slidingMax is the largest of the last values. The values are the bits of
// non-negative numbers: they have the same order as the numbers, and the
// processor compares them without branching.
type slidingMax struct {
	// ring holds the current block's values up to at, and after that the suffix
	// maxima of the previous block. One more element holds 0.
	ring   []uint64
	at     int
	prefix uint64 // largest value of the current block
}

func newSlidingMax(window int) slidingMax { return slidingMax{ring: make([]uint64, window+1)} }

// process replaces each value by the largest of the window that ends with it.
func (s *slidingMax) process(x []uint64) {
	for len(x) > 0 {
		n := min(len(x), len(s.ring)-1-s.at)
		y := x[:n]
		now, before := s.ring[s.at:][:n], s.ring[s.at+1:][:n]
		prefix := s.prefix
		for i, v := range y {
			prefix = max(prefix, v)
			now[i] = v
			y[i] = max(prefix, before[i])
		}
		s.prefix = prefix
		if s.at += n; s.at == len(s.ring)-1 {
			s.turn()
		}
		x = x[n:]
	}
}

// held reports whether process would give one value for all of the next frames
// values, whose largest is given, and that value.
//
// The maximum of the previous block's part falls, that of the current block
// rises. So their maximum is constant if one is constant and the other stays
// below it.
func (s *slidingMax) held(frames int, largest uint64) (held uint64, flat bool) {
	if s.at+frames >= len(s.ring)-1 {
		return 0, false
	}
	first, last := s.ring[s.at+1], s.ring[s.at+frames]
	held = max(s.prefix, first)
	return held, largest <= held && (held == s.prefix || first == last)
}

// pass is process without storing the results, for values that do not reach the
// end of the current block.
func (s *slidingMax) pass(x []uint64, largest uint64) {
	copy(s.ring[s.at:], x)
	s.at += len(x)
	s.prefix = max(s.prefix, largest)
}

// turn makes the full current block the previous one, two values at a time so
// that each round waits for one comparison only.
func (s *slidingMax) turn() {
	largest := uint64(0)
	i := len(s.ring) - 2
	for ; i > 0; i -= 2 {
		pair := s.ring[i-1 : i+1 : i+1]
		both := max(pair[0], pair[1])
		pair[1] = max(pair[1], largest)
		largest = max(largest, both)
		pair[0] = largest
	}
	if i == 0 {
		s.ring[0] = max(s.ring[0], largest)
	}
	s.at, s.prefix = 0, 0
}

func (s *slidingMax) reset() {
	clear(s.ring)
	s.at, s.prefix = 0, 0
}

// slidingTriangle is the sum of the last frames weighted by a triangle: a
// moving sum of a moving sum of equal length. Each sum is recomputed from at
// most one window of values, so that rounding does not accumulate: a window of
// zeros sums to exactly 0, whatever the level before it.
type slidingTriangle struct {
	first, second             []float64 // as ring in slidingMax
	at                        int
	firstPrefix, secondPrefix float64
}

// newSlidingTriangle builds a triangle of 2·half − 1 frames with weights 1 to
// half.
func newSlidingTriangle(half int) slidingTriangle {
	return slidingTriangle{first: make([]float64, half+1), second: make([]float64, half+1)}
}

// next takes one value and returns the sum of the window that ends with it.
func (s *slidingTriangle) next(v float64) float64 {
	first, second := s.first[s.at:][:2], s.second[s.at:][:2]
	s.firstPrefix += v
	first[0] = v
	sum := s.firstPrefix + first[1]
	s.secondPrefix += sum
	second[0] = sum
	sum = s.secondPrefix + second[1]
	if s.at++; s.at == len(s.first)-1 {
		s.turn()
	}
	return sum
}

func (s *slidingTriangle) turn() {
	first, second := 0.0, 0.0
	for i := len(s.first) - 2; i >= 0; i-- {
		first += s.first[i]
		second += s.second[i]
		s.first[i], s.second[i] = first, second
	}
	s.at, s.firstPrefix, s.secondPrefix = 0, 0, 0
}

func (s *slidingTriangle) reset() {
	clear(s.first)
	clear(s.second)
	s.at, s.firstPrefix, s.secondPrefix = 0, 0, 0
}
