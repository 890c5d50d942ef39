package wave

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
)

// Overs is what a Writer had to change to fit its format.
type Overs struct {
	Count      int64 // samples clamped to full scale, or to what 32-bit floating point can hold
	FirstFrame int64 // of the first one
	Channel    int   // of the first one, from 0
	NonFinite  int64 // NaN and infinite samples: 0 in integers, kept in floating point
}

// quantiser turns samples into integers: scale, dither, round to nearest even,
// clamp and count. A sample that exceeds full scale only by its dither counts
// too.
type quantiser struct {
	scale  float64 // full scale in codes
	full   uint64  // codes are −full to full−1
	span   uint64  // the number of codes
	bias   uint64  // see index
	shift  uint    // valid bits stand at the top of their container
	dither []ditherSource
	noisy  [2][]float64 // dithered samples
	overs  Overs
	frame  int64 // of the first frame at hand
}

func newQuantiser(f Format, kind DitherKind, seed uint64) quantiser {
	full := uint64(1) << (f.Bits - 1)
	q := quantiser{
		scale: float64(full), full: full, span: 2 * full,
		bias:  math.Float64bits(roundingMagic) - full,
		shift: uint(f.container()*8 - f.Bits),
	}
	if kind == TPDF {
		for c := range f.Channels {
			q.dither = append(q.dither, newDither(seed, c))
		}
		q.noisy = [2][]float64{make([]float64, stride), make([]float64, stride)}
	}
	return q
}

// roundingMagic added to a number below 2^51 pushes its fraction out of the
// significand: that rounds it to nearest even, and leaves its integer in the
// lowest bits.
const roundingMagic = 3 << 51

// index scales and rounds a sample and returns its code counted from the
// smallest, 0 to span−1. What has no code, NaN and infinity included, gives a
// larger number, since as bit patterns they lie farther off: one comparison
// finds them all.
func index(x, scale float64, bias uint64) uint64 {
	return math.Float64bits(float64(x*scale)+roundingMagic) - bias
}

// dithered returns a channel's samples to round and the scale that is left to
// apply: with dither that is done. The samples stay valid until the channel
// after the next.
func (q *quantiser) dithered(plane []float64, channel int) ([]float64, float64) {
	if q.dither == nil {
		return plane, q.scale
	}
	noisy := q.noisy[channel%2][:len(plane)]
	d := q.dither[channel]
	q.dither[channel] = ditherSource(vector.Dither(noisy, plane, q.scale, uint64(d)))
	return noisy, 1
}

// over returns the index for a sample that has none, and counts it.
func (q *quantiser) over(x float64, n, channel int) uint64 {
	if x-x != 0 { // NaN or infinite
		q.overs.NonFinite++
		return q.full
	}
	q.countOver(n, channel)
	if x < 0 {
		return 0
	}
	return q.span - 1
}

// countOver counts a clamped sample, the n-th of those at hand. Channels come
// one after the other, so a later call may bring an earlier frame.
func (q *quantiser) countOver(n, channel int) {
	frame := q.frame + int64(n)
	if q.overs.Count == 0 || frame < q.overs.FirstFrame {
		q.overs.FirstFrame, q.overs.Channel = frame, channel
	}
	q.overs.Count++
}

// Quantiser rounds samples to the grid of an integer format before the Writer,
// which then writes them unchanged. It rounds as the Writer does and, for the
// same kind and seed, adds the same dither. A step between the two therefore
// works on the samples of the file.
type Quantiser struct {
	quantiser
	channels int
}

// Channels is the number of channels that the quantiser was made for.
func (q *Quantiser) Channels() int { return q.channels }

// NewQuantiser makes the quantiser of one run. Its error is a *FormatError.
func NewQuantiser(f Format, kind DitherKind, seed uint64) (*Quantiser, error) {
	if err := f.Check(); err != nil {
		return nil, err
	}
	if err := kind.check(); err != nil {
		return nil, err
	}
	if f.Encoding != Integer {
		return nil, &FormatError{Found: f.String(), Accepted: "an integer format: only such has a grid"}
	}
	return &Quantiser{newQuantiser(f, kind, seed), f.Channels}, nil
}

// Step is the difference between adjacent sample values of the format: 2^−15
// for 16 bits.
func (q *Quantiser) Step() float64 { return 1 / q.scale }

// Round replaces the samples by dithered and rounded ones, whole multiples of
// Step. Samples beyond full scale are clamped by the Writer. It panics where the block has
// another number of channels than the format.
func (q *Quantiser) Round(b dsp.Block) {
	if err := b.Check(q.channels); err != nil {
		panic("wave: Quantiser.Round: " + err.Error())
	}
	step := q.Step()
	for from, frames := 0, b.Frames(); from < frames; from += stride {
		for c := range b {
			plane := b[c][from:min(frames, from+stride)]
			samples, scale := q.dithered(plane, c)
			for n, x := range samples {
				plane[n] = (float64(x*scale) + roundingMagic - roundingMagic) * step
			}
		}
	}
}
