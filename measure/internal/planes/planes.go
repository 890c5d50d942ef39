package planes

import (
	"io"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/dsp/wave"
)

// Close closes a source that can be closed.
func Close(src wave.Source) {
	if c, ok := src.(io.Closer); ok {
		c.Close()
	}
}

// ReadFull reads until a block is full or the source ends, then with io.EOF. A source that
// breaks its contract is an error, as in [wave.ReadNext].
func ReadFull(src wave.Source, b dsp.Block) (int, error) {
	for n := 0; n < b.Frames(); {
		k, err := wave.ReadNext(src, After(b, n))
		n += k
		if err != nil {
			return n, err
		}
	}
	return b.Frames(), nil
}

func Sum(x []float64) (sum float64) {
	for _, v := range x {
		sum += v
	}
	return sum
}

func Before(b dsp.Block, frame int) dsp.Block {
	part := make(dsp.Block, len(b))
	for c := range b {
		part[c] = b[c][:min(frame, len(b[c]))]
	}
	return part
}

func After(b dsp.Block, frame int) dsp.Block {
	part := make(dsp.Block, len(b))
	for c := range b {
		part[c] = b[c][min(frame, len(b[c])):]
	}
	return part
}

// FirstNonFinite is the first frame with a NaN or infinite sample, −1 if there is none.
func FirstNonFinite(b dsp.Block) int { return FirstBeyond(b, b.Frames(), math.MaxFloat64) }

// FirstBeyond is the first of n frames with a sample that is NaN or whose magnitude exceeds
// most; −1 if there is none.
func FirstBeyond(b dsp.Block, n int, most float64) int {
	first := n
	for _, plane := range b {
		if vector.Peak(plane[:first]) <= most {
			continue
		}
		for k, x := range plane[:first] {
			if !(math.Abs(x) <= most) {
				first = k
				break
			}
		}
	}
	if first == n {
		return -1
	}
	return first
}
