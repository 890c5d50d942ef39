package chain

import (
	"context"
	"errors"
	"fmt"

	"github.com/go-audio/audio"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// Engine is a chain built for one rate and channel count. It runs one sound at
// a time; build another engine to run a second one at the same time.
type Engine struct {
	stages         []builtStage
	rate, channels int
	path           string // of the chain file
}

type builtStage struct {
	Stage
	dsp.Processor
}

// Prepare builds the enabled stages for a rate in Hz and a number of channels. Settings
// that are not possible at this rate are a *tomlfile.FileError.
func (c *Chain) Prepare(rate, channels int) (*Engine, error) {
	built, err := c.build(rate, channels)
	if err != nil {
		return nil, err
	}
	e := &Engine{rate: rate, channels: channels, path: c.Path}
	for i, s := range c.Stages {
		if s.Enabled {
			e.stages = append(e.stages, builtStage{s, built[i]})
		}
	}
	return e, nil
}

// StagePlan describes a built stage.
type StagePlan struct {
	Name, Kind    string
	LatencyFrames int
	// VerificationFrames is the part of the latency that a limiter's verification takes,
	// after its look-ahead; 0: it has none.
	VerificationFrames int
	// DeviationDB is the largest difference, in dB, between the stage's
	// response and its analogue prototype (see dsp.Equaliser); 0 where the
	// stage has none.
	DeviationDB float64
	// LargestGainDB is the largest gain in dB that a filter has for a steady tone,
	// and LargestGainHz the frequency at which it has it; 0 where the stage is
	// no filter.
	LargestGainDB, LargestGainHz float64
	Processor                    dsp.Processor
}

// Plan lists the enabled stages in order.
func (e *Engine) Plan() []StagePlan {
	plan := make([]StagePlan, len(e.stages))
	for i, s := range e.stages {
		plan[i] = StagePlan{Name: s.Name, Kind: s.Kind, LatencyFrames: s.Latency(), Processor: s.Processor}
		if v, ok := s.Processor.(dsp.Verifier); ok {
			_, verification := v.Parts()
			plan[i].VerificationFrames = verification.Latency()
		}
		if d, ok := s.Processor.(interface{ DeviationDB() float64 }); ok {
			plan[i].DeviationDB = d.DeviationDB()
		}
		if f, ok := s.Processor.(interface {
			LargestGain(rate float64) (db, hz float64)
		}); ok {
			plan[i].LargestGainDB, plan[i].LargestGainHz = f.LargestGain(float64(e.rate))
		}
	}
	return plan
}

// Verifies reports whether the chain ends with a stage that verifies its output, as a
// limiter does unless verify = false. The ceiling then holds for the samples that leave
// the chain.
func (e *Engine) Verifies() bool {
	if len(e.stages) == 0 {
		return false
	}
	_, ok := e.stages[len(e.stages)-1].Processor.(dsp.Verifier)
	return ok
}

// Notes lists the optional bands that the engine leaves out, because their centre is not
// below half the sound's rate. Found says which band, and why.
func (e *Engine) Notes() []tomlfile.Problem {
	var notes []tomlfile.Problem
	for _, s := range e.stages {
		settings, ok := s.Settings.(dsp.EqualiserSettings)
		if !ok {
			continue
		}
		for j, b := range settings.Bands {
			if b.Optional && b.CentreHz >= float64(e.rate)/2 {
				notes = append(notes, tomlfile.Problem{Path: e.path, Key: s.Name,
					Found: fmt.Sprintf("band %d, at %g Hz, is left out: this sound, at %d Hz, holds what is below %g Hz", j+1, b.CentreHz, e.rate, float64(e.rate)/2)})
			}
		}
	}
	return notes
}

// Latency is the whole chain's latency in frames.
func (e *Engine) Latency() int {
	total := 0
	for _, s := range e.stages {
		total += s.Latency()
	}
	return total
}

// Reset brings every stage back to the state it was built in.
func (e *Engine) Reset() {
	for _, s := range e.stages {
		s.Reset()
	}
}

// Options are the ways to run an engine; the zero value is the usual one.
type Options struct {
	// KeepDelay leaves the chain's latency in the output, which is then longer
	// than the input by that many frames. Otherwise the output has the input's
	// length and is aligned with it, frame by frame.
	KeepDelay bool

	// RepairNonFinite replaces NaN and infinite input samples by zero and
	// counts them. Otherwise they end the run with a *NonFiniteError.
	RepairNonFinite bool

	// Workers is the number of goroutines that carry blocks through the stages; 0 is one.
	// At most one is used for each processor that Go uses. The output is the same for any
	// number.
	Workers int

	// Quantiser rounds the output to an integer format, with dither. It works behind all
	// stages, but before the verification if the chain Verifies, so that the ceiling
	// holds for the rounded samples. The sink that writes them adds no dither. nil: the
	// output stays as computed.
	Quantiser *wave.Quantiser

	// BlockFrames is the number of frames in a block, 0 for a good one. The
	// output is the same for any number.
	BlockFrames int

	// Trace and Gains receive the gains of the stages that have one. Each is for
	// one run.
	Trace *Trace
	Gains *Gains

	// Input receives each block as it was read, before the stages. It must not keep the
	// block. It is called by one goroutine at a time.
	Input func(dsp.Block)

	// Progress is called now and then, in order, with the number of frames read.
	Progress func(frames int64)
}

// Result is the result of a run.
type Result struct {
	Frames         int64 // frames written
	LatencyFrames  int   // the chain's latency, trimmed or kept
	NonFinite      int64 // input samples repaired
	FirstNonFinite int64 // the first frame that held one, −1 if none did
}

// InterruptedError states that a run ended because its context did: what its sink was
// given is incomplete. It wraps the context's cause.
type InterruptedError struct {
	Frames int64 // of the input, read by then
	cause  error
}

func (e *InterruptedError) Error() string {
	text := fmt.Sprintf("interrupted after %s of the input", dsp.Plural(e.Frames, "frame"))
	if !errors.Is(e.cause, context.Canceled) && !errors.Is(e.cause, context.DeadlineExceeded) {
		text += ": " + e.cause.Error()
	}
	return text
}

func (e *InterruptedError) Unwrap() error { return e.cause }

// NonFiniteError reports NaN or infinite samples in the input.
type NonFiniteError struct {
	FirstFrame int64
	Count      int64 // samples, over all channels and the whole input
}

func (e *NonFiniteError) Error() string {
	return fmt.Sprintf("NaN or infinite: %s, the first at frame %d; accepted: finite samples", dsp.Plural(e.Count, "sample"), e.FirstFrame)
}

// Process runs the chain from src to dst with the default options. The source's rate and
// channel count must be those that the engine was built for.
//
// The ceiling of a limiter that verifies holds here for the samples as they are computed,
// in 64-bit floating point. A sink that rounds or dithers them afterwards can exceed the
// ceiling by what it adds: 1.5 steps of its format at a sample, and somewhat more between
// samples. For an integer format call Run with a Quantiser, which rounds before the
// verification.
func (e *Engine) Process(ctx context.Context, src wave.Source, dst wave.Sink) (Result, error) {
	return e.Run(ctx, src, dst, Options{})
}

// Respond runs the chain as a device with the chain's latency: the response is later than
// the stimulus by the latency, and longer by as much. A chain is therefore an
// instrument.Device.
func (c *Chain) Respond(ctx context.Context, stimulus wave.Source, response wave.Sink) error {
	e, err := c.Prepare(stimulus.Format().Rate, stimulus.Format().Channels)
	if err != nil {
		return err
	}
	_, err = e.Run(ctx, stimulus, response, Options{KeepDelay: true})
	return err
}

// ProcessPlanes returns the processed copy of planar sound (channels x
// frames), aligned with it and of the same length. On an error it returns nil.
func (e *Engine) ProcessPlanes(ctx context.Context, planes [][]float64) ([][]float64, error) {
	if err := dsp.Block(planes).Check(len(planes)); err != nil {
		return nil, err
	}
	out := dsp.NewBlock(len(planes), dsp.Block(planes).Frames())
	for c := range out {
		out[c] = out[c][:0]
	}
	format := wave.Unquantised(e.rate, len(planes))
	dst := wave.NewMemory(format, out)
	if _, err := e.Process(ctx, wave.NewMemory(format, planes), dst); err != nil {
		return nil, err
	}
	return dst.Planes(), nil
}

// ProcessBuffer is ProcessPlanes for go-audio's interleaved buffer. Its samples are used
// without scaling: full scale is 1.0.
func (e *Engine) ProcessBuffer(ctx context.Context, buf *audio.FloatBuffer) (*audio.FloatBuffer, error) {
	in, err := wave.FromFloatBuffer(buf)
	if err != nil {
		return nil, err
	}
	if buf.Format.SampleRate != e.rate {
		return nil, &FormatMismatchError{e.rate, e.channels, buf.Format.SampleRate, len(in)}
	}
	out, err := e.ProcessPlanes(ctx, in)
	if err != nil {
		return nil, err
	}
	return wave.ToFloatBuffer(out, e.rate), nil
}

// FormatMismatchError states that a sound is not of the format that the engine
// was built for.
type FormatMismatchError struct {
	Rate, Channels           int // the engine's
	FoundRate, FoundChannels int
}

func (e *FormatMismatchError) Error() string {
	return fmt.Sprintf("the sound has %s at %d Hz; accepted: %s at %d Hz, for which the chain was prepared",
		dsp.Plural(e.FoundChannels, "channel"), e.FoundRate, dsp.Plural(e.Channels, "channel"), e.Rate)
}
