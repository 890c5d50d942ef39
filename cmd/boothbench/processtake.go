package main

import (
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/receipt"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// skip looks for a receipt by which the output is there and up to date, where --skip-done
// asks for it. Without one it keeps the size, time and digest of the take for a new one.
func (b *batch) skip(r *report) error {
	if !b.settings.skipDone || b.settings.plan {
		return nil
	}
	var err error
	if r.receipt, r.stale, err = receipt.Holds(b.key, r.in, r.out); err != nil {
		return inputError(err)
	}
	if r.receipt != nil && r.receipt.Failure != "" { // written by season: process tries a failed take again
		r.stale, r.receipt = "it failed then: "+r.receipt.Failure, nil
	}
	if r.receipt == nil {
		r.taken, err = receipt.Of(r.in)
		return inputError(err)
	}
	reader, err := b.openTake(r.in, b.settings.rawFormat)
	if err != nil {
		return inputError(err)
	}
	defer reader.Close()
	r.inFormat, r.inFrames = reader.Format(), reader.Frames()
	return nil
}

// fill processes the take.
func (b *batch) fill(r *report, workers int) error {
	if b.ctx.Err() != nil {
		return b.ctx.Err()
	}
	s := &b.settings
	reader, err := b.openTake(r.in, s.rawFormat)
	if err != nil {
		return inputError(err)
	}
	defer reader.Close()
	r.inFormat, r.inFrames = reader.Format(), reader.Frames()
	defer func() { r.inWarnings = warningsOf(reader) }()

	engine, err := b.chain.Prepare(r.inFormat.Rate, r.inFormat.Channels)
	if err != nil {
		return withCode(exitUsage, err)
	}
	r.stages, r.notes = engine.Plan(), engine.Notes()
	r.latency = engine.Latency()
	output := s.output()
	r.outFormat = output.Format(r.inFormat)
	r.dither = output.DitherOf(r.inFormat, len(r.stages) > 0)
	if s.plan {
		return nil
	}
	if s.rawOut && r.outFormat.Raw() == "" {
		return usageError("%s: %s has no form as bare samples; add --bits 16, 24 or 32", nameOf(r.in), r.outFormat)
	}
	return b.write(r, reader, engine, workers)
}

// write runs the engine and publishes the outputs together.
func (b *batch) write(r *report, reader *wave.Reader, engine *chain.Engine, workers int) error {
	s := &b.settings
	options := chain.Options{KeepDelay: s.keepDelay, RepairNonFinite: s.repair, Workers: workers}
	if s.live {
		options.Workers, options.BlockFrames = 1, s.blockFrames
		b.printLiveDelay(r)
	}
	if s.meters() {
		r.before = newMeteredSink(nil, r.inFormat)
		options.Input = r.before.measure
		options.Gains = chain.NewGains(0)
	}
	var outputs []wave.Output
	if s.trace != "" {
		trace, err := b.createFile(s.trace, s.replace, append(b.protected(), r.out))
		if err != nil {
			return err
		}
		defer trace.Abort()
		options.Trace = chain.NewTrace(trace)
		outputs = append(outputs, trace)
	}
	var done int64
	options.Progress = func(frames int64) {
		b.progress.add(frames - done)
		done = frames
	}
	writer, result, err := engine.RenderTo(b.ctx, reader, b.createSound(r), s.output(), options)
	r.result = result
	if err != nil {
		return runError(nameOf(r.in), err)
	}
	defer writer.Abort() // does nothing after Commit
	outputs = append(outputs, writer)
	if err := wave.CommitTogether(outputs...); err != nil {
		return outputError(err)
	}
	r.inFrames, r.overs, r.kept = reader.Frames(), writer.Overs(), writer.Kept()
	if options.Gains != nil {
		r.gains = options.Gains.Stages()
	}
	r.reductions = map[string]float64{}
	for _, s := range r.stages {
		if limiting, _, ok := reduction(s); ok {
			r.reductions[s.Name] = limiting
		}
	}
	return b.leaveReceipt(r)
}

// leaveReceipt writes the receipt of a finished output.
func (b *batch) leaveReceipt(r *report) error {
	if !b.settings.skipDone {
		return nil
	}
	now, err := os.Stat(r.in)
	if err != nil || now.Size() != r.taken.Bytes || !now.ModTime().Equal(r.taken.Modified) {
		return inputError(fmt.Errorf("%s: the take was changed while it was processed; its output has no receipt: run it again", r.in))
	}
	output, err := receipt.Of(r.out)
	if err != nil {
		return outputError(err)
	}
	made := &receipt.Receipt{Key: b.key, Input: r.taken, Output: output, Readings: map[string]*float64{}}
	for _, reading := range r.metered.readings() {
		made.Readings[reading.Name] = nil
		if reading.Measurable() {
			made.Readings[reading.Name] = &reading.Value
		}
	}
	for stage, db := range r.reductions {
		made.Readings[reductionPrefix+stage] = &db
	}
	return outputError(made.Write())
}

// reductionPrefix precedes the stage's name in a receipt's readings of gain reduction.
const reductionPrefix = "reduction_db "

// runError is the error of a run, with the exit code of a bad input unless it is a
// *wave.OutputError.
func runError(in string, err error) error {
	if errors.Is(err, wave.ErrExists) {
		return outputError(err)
	}
	var nonFinite *chain.NonFiniteError
	if errors.As(err, &nonFinite) {
		err = fmt.Errorf("%s: %w; --repair-nonfinite replaces them by zero", in, err)
	}
	return inputError(err)
}

// namingTake puts the name of the take before an error that does not contain it.
func namingTake(in string, err error) error {
	if strings.Contains(err.Error(), in) {
		return err
	}
	return fmt.Errorf("%s: %w", in, err)
}

// warningsOf are the warnings about a take, with one for a take of 0 frames.
func warningsOf(r *wave.Reader) []wave.Warning {
	warnings := r.Warnings()
	if r.Frames() == 0 {
		warnings = append(warnings[:len(warnings):len(warnings)], wave.Warning{Path: r.Name(), Found: "no sound: 0 frames", Done: "read as it is"})
	}
	return warnings
}

// meteredSink measures the sound that is written to a sink.
type meteredSink struct {
	wave.Sink
	meter *measure.ProgrammeMeter // nil: the format has no loudness
	why   error                   // why it has none
}

func newMeteredSink(to wave.Sink, f wave.Format) *meteredSink {
	meter, err := measure.NewProgrammeMeter(f, measure.AsIs)
	return &meteredSink{to, meter, err}
}

func (m *meteredSink) measure(b dsp.Block) {
	if m.meter != nil {
		m.meter.Write(b)
	}
}

func (m *meteredSink) Write(b dsp.Block) error {
	m.measure(b)
	return m.Sink.Write(b)
}

func (m *meteredSink) readings() measure.Readings {
	switch {
	case m == nil:
		return nil
	case m.meter != nil:
		return m.meter.Readings()
	}
	var all measure.Readings
	for i, name := range meteredNames {
		all = append(all, measure.Named{Name: name, Reading: measure.Reading{Unit: []string{"LUFS", "dBTP"}[i], Reason: m.why.Error(), Frame: -1, Channel: -1}})
	}
	return all
}

// meteredNames are the readings of a take and of its output that are printed.
var meteredNames = []string{"integrated_lufs", "true_peak_dbtp"}
