package wave

import "github.com/boothbench/boothbench/dsp"

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
