package dsp

import "math"

// Scrub replaces every NaN and infinite sample by zero. It returns how many
// there were and the index of the first frame that held one, or 0 and −1.
func Scrub(b Block) (count, firstFrame int) {
	firstFrame = -1
	for _, plane := range b {
		if finite(plane) {
			continue
		}
		for n, x := range plane {
			if x-x != 0 { // only for NaN and Inf
				plane[n] = 0
				count++
				if firstFrame < 0 || n < firstFrame {
					firstFrame = n
				}
			}
		}
	}
	return count, firstFrame
}

// finite reports whether no sample is NaN or infinite. It looks at the largest
// exponent only: integer comparisons, one per sample.
func finite(plane []float64) bool {
	const exponent = 0x7ff0000000000000
	var largest uint64
	for _, x := range plane {
		largest = max(largest, math.Float64bits(x)&exponent)
	}
	return largest != exponent
}
