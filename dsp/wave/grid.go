package wave

import "github.com/boothbench/boothbench/dsp"

// Quantiser rounds samples to the grid of an integer format before the Writer,
// which then writes them unchanged. It rounds as the Writer does and, for the
// same kind and seed, adds the same dither. A step between the two therefore
// works on the samples of the file.
type Quantiser struct {
	quantiser
}

// NewQuantiser makes the quantiser of one run.
func NewQuantiser(f Format, kind DitherKind, seed uint64) (*Quantiser, error) {
	if err := f.check(); err != nil {
		return nil, err
	}
	if f.Encoding != Integer {
		return nil, &FormatError{Found: f.String(), Accepted: "an integer format: only such has a grid"}
	}
	return &Quantiser{newQuantiser(f, kind, seed)}, nil
}

// Step is the difference between adjacent sample values of the format: 2^−15
// for 16 bits.
func (q *Quantiser) Step() float64 { return 1 / q.scale }

// Round replaces the samples by dithered and rounded ones, whole multiples of
// Step. Samples beyond full scale are clamped by the Writer.
func (q *Quantiser) Round(b dsp.Block) {
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
