package wave

import (
	"fmt"

	"github.com/boothbench/boothbench/dsp/vector"
)

// DitherKind is the noise that is added before an integer sample is rounded.
type DitherKind int

// The kinds of dither.
const (
	NoDither DitherKind = iota
	// TPDF is the difference of two uniform random numbers, 2 LSB wide: it
	// makes the error's mean and power independent of the sound (Lipshitz,
	// Wannamaker, Vanderkooy, "Quantization and Dither: A Theoretical Survey",
	// JAES 40(5) 1992).
	TPDF
)

func (d DitherKind) String() string {
	if d == TPDF {
		return "tpdf"
	}
	return "none"
}

// check returns a *FormatError for an undefined kind.
func (d DitherKind) check() error {
	if d != NoDither && d != TPDF {
		return &FormatError{Found: fmt.Sprintf("dither of kind %d", int(d)), Accepted: "NoDither or TPDF"}
	}
	return nil
}

// ditherSource makes one channel's dither. It is the SplitMix64 generator
// (Steele, Lea, Flood, "Fast splittable pseudorandom number generators", 2014):
// integers only, so the same on every machine.
type ditherSource uint64

// newDither seeds the dither of a channel.
func newDither(seed uint64, channel int) ditherSource {
	d := ditherSource(seed)
	for range channel + 1 {
		d = ditherSource(d.next()) // channels far apart in the sequence
	}
	return d
}

func (d *ditherSource) next() uint64 {
	state, number := vector.SplitMix64(uint64(*d))
	*d = ditherSource(state)
	return number
}
