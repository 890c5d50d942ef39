package vector

import (
	"bytes"
	"math"
	"math/rand/v2"
	"testing"
)

// Samples of every width, of one channel and of two, have the bits of the Go twin.
func TestUnpackBits(t *testing.T) {
	needAVX(t)
	rng := rand.New(rand.NewPCG(19, 20))
	for round := range 2000 {
		width, channels, frames := 2+rng.IntN(3), 1+rng.IntN(2), rng.IntN(40)
		raw := make([]byte, frames*channels*width+8)
		for i := range raw {
			raw[i] = byte(rng.Uint32())
		}
		var got, want [2][]float64
		for c := range channels {
			got[c], want[c] = make([]float64, frames), make([]float64, frames)
		}
		Unpack(got[0], got[1], raw, width)
		unpack(want[0], want[1], raw, width)
		for c := range channels {
			if err := same(got[c], want[c]); err != nil {
				t.Fatalf("round %d, %d bytes, channel %d of %d: %v", round, width, c+1, channels, err)
			}
		}
	}
}

// Codes of every width, shift and scale have the bytes of the Go twin, and both stop
// ahead of the four frames in which a sample has no code.
func TestPackBits(t *testing.T) {
	if !hasAVX2 {
		t.Skip("no AVX2: everything runs in Go")
	}
	rng := rand.New(rand.NewPCG(21, 22))
	stopped := 0
	for round := range 4000 {
		width, channels, frames := 2+rng.IntN(2), 1+rng.IntN(2), 4*rng.IntN(12)
		bits := 8*(width-1) + 1 + rng.IntN(8)
		full := uint64(1) << (bits - 1)
		p := Packing{Scale: float64(full), Magic: 3 << 51, Bias: math.Float64bits(3<<51) - full, Span: 2 * full, Full: full, Shift: uint64(8*width - bits), Width: width}
		var x [2][]float64
		for c := range channels {
			x[c] = make([]float64, frames)
			for n := range x[c] {
				switch x[c][n] = 2*rng.Float64() - 1; rng.IntN(300) {
				case 0:
					x[c][n] = math.NaN()
				case 1:
					x[c][n] = math.Inf(1 - 2*rng.IntN(2))
				case 2:
					x[c][n] = 1 - 2*rng.Float64()*0x1p-20
				case 3:
					x[c][n] = 1
				case 4:
					x[c][n] = -1
				case 5:
					x[c][n] = 1e300
				}
			}
		}
		got, want := make([]byte, frames*channels*width+16), make([]byte, frames*channels*width+16)
		n, m := p.Frames(got, x[0], x[1]), p.frames(want, x[0], x[1])
		if n != m {
			t.Fatalf("round %d: %d of %d frames packed, %d in Go", round, n, frames, m)
		}
		if n < frames {
			stopped++
		}
		if end := n * channels * width; !bytes.Equal(got[:end], want[:end]) {
			t.Fatalf("round %d, %d bits in %d bytes, %d channels: bytes differ", round, bits, width, channels)
		}
	}
	if stopped < 100 {
		t.Fatalf("only %d rounds met a sample without a code", stopped)
	}
}
