package chain

import (
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/relay"
	"github.com/boothbench/boothbench/dsp/wave"
)

// blockSamples is the size of a block, over all channels. 256 KiB fit the second-level
// cache, and take so long in each step that handing a block to another processor costs
// little in comparison.
const blockSamples = 1 << 15

// Run runs the chain from src to dst. It resets the stages first.
//
// On an error, or when ctx ends, the sink has received only a part of the output: discard
// it. On an error the result states what was done up to then.
func (e *Engine) Run(ctx context.Context, src wave.Source, dst wave.Sink, o Options) (Result, error) {
	if f := src.Format(); f.Rate != e.rate || f.Channels != e.channels {
		return Result{}, &FormatMismatchError{e.rate, e.channels, f.Rate, f.Channels}
	}
	if err := e.usable(src, dst, o); err != nil {
		return Result{}, err
	}
	e.Reset()
	r := &run{Options: o, ctx: ctx, engine: e, src: src, dst: dst}
	r.result.LatencyFrames = e.Latency()
	r.result.FirstNonFinite = -1
	r.tail = r.result.LatencyFrames
	if !o.KeepDelay {
		r.skip = r.result.LatencyFrames
	}
	frames := o.BlockFrames
	if frames <= 0 {
		frames = blockSamples / e.channels
	}
	if o.Trace != nil {
		o.Trace.begin(e.rate, e.channels)
	}
	steps := append(append([]relay.Step[*job]{r.read}, r.stages()...), r.write)
	if o.Trace != nil {
		if err := o.Trace.header(); err != nil {
			return r.result, err
		}
	}
	// Workers that wait for their turn poll for it: more of them than processors cost 22
	// % more processor time, and save none.
	workers := min(o.Workers, runtime.GOMAXPROCS(0))
	err := relay.Run(ctx, workers, steps, func() *job { return newJob(e.channels, frames, o.Trace != nil || o.Gains != nil) })
	if err != nil && ctx.Err() != nil && errors.Is(err, context.Cause(ctx)) {
		err = &InterruptedError{r.frames, err}
	}
	if err == nil && o.Trace != nil {
		err = o.Trace.end()
	}
	if o.Gains != nil {
		for _, s := range o.Gains.stages {
			s.end()
		}
	}
	return r.result, err
}

// usable returns an error for a run that the engine cannot do.
func (e *Engine) usable(src wave.Source, dst wave.Sink, o Options) error {
	if e.channels == 0 {
		return errors.New("the engine was not prepared; accepted: one from Chain.Prepare")
	}
	if o.Quantiser != nil && o.Quantiser.Channels() != e.channels {
		return fmt.Errorf("the quantiser is for %s; accepted: %d, as the engine has", dsp.Plural(o.Quantiser.Channels(), "channel"), e.channels)
	}
	if m, ok := src.(*wave.Memory); ok && dst == wave.Sink(m) {
		return errors.New("the source is the sink as well: it would never end; accepted: two different ones")
	}
	return nil
}

// run is the state of one run. Each step uses its own fields, and the relay lets one
// block at a time into a step.
type run struct {
	Options
	ctx    context.Context
	engine *Engine
	src    wave.Source
	dst    wave.Sink
	result Result

	frames int64 // read so far
	ended  bool  // the source has ended
	at     int64 // the frame that the next block begins with
	tail   int   // frames of silence still to push through the stages
	skip   int   // frames of latency still to drop from the output
}

// read fills the job from the source and, once that has ended, with the
// silence that pushes the last frames out of the stages.
func (r *run) read(j *job) error {
	n := 0
	if !r.ended {
		var err error
		j.resize(j.capacity())
		n, err = wave.ReadNext(r.src, j.block)
		j.end = endless
		if errors.Is(err, io.EOF) {
			r.ended = true
		} else if err != nil {
			return err
		}
	}
	if n == 0 && r.ended {
		if r.tail == 0 {
			return io.EOF
		}
		n = min(j.capacity(), r.tail)
		r.tail -= n
		j.frame, j.end = r.at, r.frames
		r.at += int64(n)
		j.resize(n)
		for _, plane := range j.block {
			clear(plane)
		}
		return nil
	}
	j.resize(n)
	j.frame = r.at
	r.at += int64(n)
	if err := r.scrub(j.block); err != nil {
		return err
	}
	r.frames += int64(n)
	if r.Input != nil {
		r.Input(j.block)
	}
	if r.Progress != nil {
		r.Progress(r.frames)
	}
	return nil
}

func (r *run) scrub(b dsp.Block) error {
	count, first := dsp.Scrub(b)
	if count == 0 {
		return nil
	}
	if r.result.NonFinite == 0 {
		r.result.FirstNonFinite = r.frames + int64(first)
	}
	r.result.NonFinite += int64(count)
	if r.RepairNonFinite {
		return nil
	}
	// The run ends here. The rest is read to count its NaN and infinite samples, unless
	// the context ends.
	for {
		if r.ctx.Err() != nil {
			return &NonFiniteError{r.result.FirstNonFinite, r.result.NonFinite}
		}
		n, err := wave.ReadNext(r.src, b)
		if err != nil {
			return &NonFiniteError{r.result.FirstNonFinite, r.result.NonFinite}
		}
		rest := make(dsp.Block, len(b))
		for c := range b {
			rest[c] = b[c][:n]
		}
		count, _ := dsp.Scrub(rest)
		r.result.NonFinite += int64(count)
	}
}

// stages returns the steps between reading and writing.
func (r *run) stages() (steps []relay.Step[*job]) {
	delay := 0
	stages := r.engine.stages
	for i := 0; i < len(stages); i++ {
		s := stages[i]
		add := func(name string, p dsp.Processor) {
			delay += p.Latency()
			steps = append(steps, r.stage(i, name, p, delay))
		}
		last := i == len(stages)-1
		if !last {
			if joined, ok := dsp.Join(s.Processor, stages[i+1].Processor); ok {
				i++
				add(stages[i].Name, joined)
				continue
			}
		}
		if _, keeps := s.ceiling(); keeps && last {
			steps = append(steps, cut(delay))
		}
		verifier, ok := s.Processor.(dsp.Verifier)
		if !ok {
			add(s.Name, s.Processor)
			continue
		}
		limiter, verification := verifier.Parts()
		add(s.Name, limiter)
		verification.OnGrid(0)
		if last && r.Quantiser != nil {
			steps = append(steps, r.quantise(delay))
			verification.OnGrid(r.Quantiser.Step())
		}
		add(s.Name+" verification", verification)
	}
	if r.Quantiser != nil && !r.engine.Verifies() {
		steps = append(steps, r.quantise(delay))
	}
	return steps
}

// cut returns the step that ends the sound where the output will end. The decay of the
// filters continues after the input's end. Cut off behind a limiter, it would leave an
// edge that the limiter has not processed.
func cut(delay int) relay.Step[*job] {
	return func(j *job) error {
		_, end := j.inside(delay)
		for _, plane := range j.block {
			clear(plane[end:])
		}
		return nil
	}
}

// quantise returns the step that rounds the sound to the grid of the output, from the
// input's first frame to its last: before and after them is silence, without dither.
func (r *run) quantise(delay int) relay.Step[*job] {
	return func(j *job) error {
		from, end := j.inside(delay)
		if from < end {
			for c := range j.block {
				j.out[c] = j.block[c][from:end]
			}
			r.Quantiser.Round(j.out)
		}
		return nil
	}
}

// stage returns the step that runs a processor of a stage, given by its index;
// delay is the latency of the chain up to and including the processor.
func (r *run) stage(index int, name string, p dsp.Processor, delay int) relay.Step[*job] {
	tracer, ok := p.(dsp.GainTracer)
	if r.Trace == nil && r.Gains == nil || !ok {
		return func(j *job) error {
			p.Process(j.block)
			return nil
		}
	}
	var gathered *gathered
	if r.Gains != nil {
		gathered = r.Gains.follow(name, index, r.engine.rate, r.engine.channels)
	}
	var traced *traced
	if r.Trace != nil {
		traced = r.Trace.follow(name)
	}
	return func(j *job) error {
		tracer.ProcessTraced(j.block, j.gain)
		from, to := j.inside(delay)
		if from >= to {
			return nil
		}
		if gathered != nil {
			gathered.take(j.gain, from, to)
		}
		if traced != nil {
			return r.Trace.take(traced, j.gain, from, to)
		}
		return nil
	}
}

func (r *run) write(j *job) error {
	n := j.block.Frames()
	drop := min(n, r.skip)
	r.skip -= drop
	if drop == n {
		return nil
	}
	for c := range j.block {
		j.out[c] = j.block[c][drop:]
	}
	r.result.Frames += int64(n - drop)
	return r.dst.Write(j.out)
}
