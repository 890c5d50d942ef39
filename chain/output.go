package chain

import (
	"context"
	"fmt"

	"github.com/boothbench/boothbench/dsp/wave"
)

// Output describes the file of a processed take. The zero value is the default: the
// take's own sample format, with dither where bits are dropped.
type Output struct {
	Bits   int  // a sample: 16, 24 or 32; with Float 32 or 64; 0: the take's
	Float  bool // floating point; false: as the take
	Dither Dithering
	Seed   uint64 // of the dither: same seed, same bits
}

// Dithering is the rule by which dither is added.
type Dithering int

// The choices. AutoDither is TPDF where the output has fewer bits than what was
// computed.
const (
	AutoDither Dithering = iota
	AlwaysDither
	NeverDither
)

// Format is the format of the output of a take.
func (o Output) Format(take wave.Format) wave.Format {
	out := take
	switch {
	case o.Float:
		out.Encoding, out.Bits, out.ContainerBits = wave.Float, 32, 0
		if o.Bits != 0 {
			out.Bits = o.Bits
		}
	case o.Bits != 0:
		out.Encoding, out.Bits, out.ContainerBits = wave.Integer, o.Bits, 0
	case take.Encoding == wave.Integer && take.Bits <= 8:
		out.Bits, out.ContainerBits = 16, 0 // 8 bits hold no voice
	}
	return out
}

// DitherOf is the dither of a take's output; processed says whether stages ran. An
// integer output has fewer bits than the stages' 64-bit floating point, and possibly than
// the take. An output of 32 bits gets none: its last bit is below the noise of every
// converter.
func (o Output) DitherOf(take wave.Format, processed bool) wave.DitherKind {
	out := o.Format(take)
	switch {
	case out.Encoding == wave.Float || o.Dither == NeverDither:
		return wave.NoDither
	case o.Dither == AlwaysDither:
		return wave.TPDF
	}
	shorter := take.Encoding == wave.Float || out.Bits < take.Bits
	if (processed || shorter) && out.Bits < 32 {
		return wave.TPDF
	}
	return wave.NoDither
}

// Render runs the chain from a take into a file. Afterwards the file's content is
// complete. Commit of the writer makes the file appear under its name; Abort removes it.
// Of file, Replace, KeepLate and Inputs are used; Render sets the rest, and Quantiser of
// run. An error of the output is a *wave.OutputError.
func (e *Engine) Render(ctx context.Context, take *wave.Reader, path string, o Output, file wave.Options, run Options) (*wave.Writer, Result, error) {
	return e.RenderTo(ctx, take, func(f wave.Format, set wave.Options) (*wave.Writer, wave.Sink, error) {
		set.Replace, set.KeepLate, set.Inputs = file.Replace, file.KeepLate, file.Inputs
		w, err := wave.Create(path, f, set)
		return w, w, err
	}, o, run)
}

// Create begins an output of a format, with the given dither, chunks and length. sink is
// where the sound is written to: the writer, or something that passes it on to the
// writer.
type Create func(f wave.Format, set wave.Options) (w *wave.Writer, sink wave.Sink, err error)

// RenderTo is Render into the output that create begins, such as a stream. The length is
// stated for takes that are files, since the length that a stream states may be wrong.
func (e *Engine) RenderTo(ctx context.Context, take *wave.Reader, create Create, o Output, run Options) (*wave.Writer, Result, error) {
	format := o.Format(take.Format())
	set := wave.Options{Dither: o.DitherOf(take.Format(), len(e.stages) > 0), Seed: o.Seed, Chunks: take.Chunks()}
	if set.Frames = take.Frames(); take.IsStream() {
		set.Frames = 0
	} else if run.KeepDelay {
		set.Frames += int64(e.Latency())
	}
	// Where the chain's end verifies the output, dither is added before it.
	if e.Verifies() && format.Encoding == wave.Integer {
		var err error
		if run.Quantiser, err = wave.NewQuantiser(format, set.Dither, o.Seed); err != nil {
			return nil, Result{}, err
		}
		set.Dither = wave.NoDither
	}
	writer, sink, err := create(format, set)
	if err != nil {
		return nil, Result{}, err
	}
	result, err := e.Run(ctx, take, sink, run)
	if err != nil {
		writer.Abort()
		return nil, result, err
	}
	return writer, result, nil
}

// DitheringNamed is a choice by its word: auto, tpdf or none.
func DitheringNamed(word string) (Dithering, error) {
	switch word {
	case "auto":
		return AutoDither, nil
	case "tpdf":
		return AlwaysDither, nil
	case "none":
		return NeverDither, nil
	}
	return 0, fmt.Errorf("found %q; accepted: auto, tpdf, none", word)
}
