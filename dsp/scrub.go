package dsp

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

// finite reports whether no sample is NaN or infinite: of these alone x − x is
// not 0. Four sums side by side keep the processor busy.
func finite(plane []float64) bool {
	var a, b, c, d float64
	for ; len(plane) >= 4; plane = plane[4:] {
		a += plane[0] - plane[0]
		b += plane[1] - plane[1]
		c += plane[2] - plane[2]
		d += plane[3] - plane[3]
	}
	for _, x := range plane {
		a += x - x
	}
	return a+b+c+d == 0
}
