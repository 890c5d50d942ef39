package planes

import (
	"io"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// Close closes a source that can be closed.
func Close(src wave.Source) {
	if c, ok := src.(io.Closer); ok {
		c.Close()
	}
}

// SumOfSquares sums in four parts, which do not wait for each other.
func SumOfSquares(x []float64) float64 {
	var a, b, c, d float64
	n := len(x) &^ 3
	for k := 0; k < n; k += 4 {
		part := x[k : k+4 : k+4]
		a += part[0] * part[0]
		b += part[1] * part[1]
		c += part[2] * part[2]
		d += part[3] * part[3]
	}
	for _, v := range x[n:] {
		a += v * v
	}
	return (a + b) + (c + d)
}

// ReadFull reads until a block is full or the source ends, then with io.EOF.
func ReadFull(src wave.Source, b dsp.Block) (int, error) {
	n := 0
	for n < b.Frames() {
		k, err := src.Read(After(b, n))
		n += k
		if err != nil {
			return n, err
		}
		if k == 0 {
			return n, io.EOF
		}
	}
	return n, nil
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

// FirstNonFinite is the first frame with a NaN or infinite sample, −1 if none is.
func FirstNonFinite(b dsp.Block) int { return FirstBeyond(b, b.Frames(), math.MaxFloat64) }

// FirstBeyond is the first of n frames with a sample that is no number or larger, in
// magnitude, than most; −1 if none is.
func FirstBeyond(b dsp.Block, n int, most float64) int {
	first := n
	for _, plane := range b {
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
