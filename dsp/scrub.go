package dsp

import "github.com/boothbench/boothbench/dsp/vector"

// Scrub replaces every NaN and infinite sample by zero. It returns how many
// there were and the index of the first frame that held one; 0 and −1 if there
// were none.
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

// finite reports whether no sample is NaN or infinite; only for these is x − x
// not 0.
func finite(plane []float64) bool {
	peak := vector.Peak(plane)
	return peak-peak == 0
}
