package take

import "github.com/boothbench/boothbench/dsp"

// thinned cuts sound into blocks that overlap by half. It takes every block of a short
// sound and ever fewer of a long one, so that what is averaged over them costs no more
// for an hour than for minutes, and copies only what it takes.
type thinned struct {
	x       [][]float64 // the running block, by channel
	length  int         // frames of a block
	dense   int         // blocks taken before every other one is left out, and again
	filled  int         // frames of the running block
	skipped int         // frames to pass over before the next block
	next    int         // its number
	taken   int
	stride  int
}

func newThinned(channels, length, dense int) thinned {
	return thinned{x: dsp.NewBlock(channels, length), length: length, dense: dense, stride: 1}
}

// write hands each block that is taken to take.
func (b *thinned) write(planes dsp.Block, take func(x [][]float64)) {
	for from := 0; from < planes.Frames(); {
		if b.skipped > 0 {
			n := min(b.skipped, planes.Frames()-from)
			b.skipped, from = b.skipped-n, from+n
			continue
		}
		n := min(b.length-b.filled, planes.Frames()-from)
		for c, x := range b.x {
			copy(x[b.filled:], planes[c][from:from+n])
		}
		b.filled, from = b.filled+n, from+n
		if b.filled == b.length {
			take(b.x)
			b.advance()
		}
	}
}

// advance makes room for the next block that is taken.
func (b *thinned) advance() {
	if b.taken++; b.taken%b.dense == 0 {
		b.stride *= 2
	}
	before := b.next
	b.next = (before/b.stride + 1) * b.stride
	half := b.length / 2
	if b.filled = 0; b.next == before+1 {
		for _, x := range b.x {
			copy(x, x[half:])
		}
		b.filled = b.length - half
		return
	}
	b.skipped = (b.next - before - 2) * half
}
