package listen

import "github.com/boothbench/boothbench/dsp"

func copied(b dsp.Block) dsp.Block { return cut(b, 0, b.Frames()) }

// withRoom is an empty block with capacity for a number of frames.
func withRoom(channels, frames int) dsp.Block {
	b := dsp.NewBlock(channels, frames)
	for c := range b {
		b[c] = b[c][:0]
	}
	return b
}

// part is a range of frames, which shares memory with its block.
func part(b dsp.Block, from, to int) dsp.Block {
	out := make(dsp.Block, len(b))
	for c := range b {
		out[c] = b[c][from:to]
	}
	return out
}

// cut is a copy of a range of frames.
func cut(b dsp.Block, from, to int) dsp.Block {
	out := make(dsp.Block, len(b))
	for c := range b {
		out[c] = append([]float64(nil), b[c][from:to]...)
	}
	return out
}

// pad adds silence, so that the block begins at a frame and has a length in frames.
func pad(b dsp.Block, begin, frames int) dsp.Block {
	if begin == 0 && b.Frames() == frames {
		return b
	}
	out := dsp.NewBlock(len(b), frames)
	for c := range b {
		copy(out[c][begin:], b[c])
	}
	return out
}

func scale(b dsp.Block, gain float64) {
	for _, plane := range b {
		for i := range plane {
			plane[i] *= gain
		}
	}
}

func add(b, other dsp.Block) {
	for c, plane := range b {
		for i := range plane {
			plane[i] += other[c][i]
		}
	}
}

func subtract(b, other dsp.Block) {
	for c, plane := range b {
		for i := range plane {
			plane[i] -= other[c][i]
		}
	}
}

// leastSquares is the gain for a that leaves the smallest difference from b, over the frames
// that both have.
func leastSquares(a, b dsp.Block) float64 {
	n := min(a.Frames(), b.Frames())
	xx, xy := 0.0, 0.0
	for c := range a {
		for i, x := range a[c][:n] {
			xx += float64(x * x)
			xy += float64(x * b[c][i])
		}
	}
	if xx == 0 {
		return 0
	}
	return xy / xx
}
