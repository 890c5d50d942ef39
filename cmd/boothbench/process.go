package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp/wave"
)

const processUsage = `boothbench process runs takes (WAV) through the stages of a chain file. The
output has the take's length, rate and channels, and is aligned with it frame by
frame: the latency of look-ahead stages is removed.

Usage: boothbench process TAKE.wav --chain CHAIN.toml --out OUT.wav [flags]
       boothbench process TAKE.wav … --chain CHAIN.toml --out-dir DIR [flags]

Examples:
  boothbench process take.wav --chain voice.toml --out take-voice.wav
  boothbench process take.wav --chain voice.toml --plan
  boothbench process ep1.wav ep2.wav --chain voice.toml --out-dir done --bits 16
`

func runProcess(e env, args []string) error {
	var s processSettings
	f := e.flags("process", processUsage)
	s.register(f)
	if err := parse(f, args); err != nil {
		return err
	}
	if err := s.check(f.Args()); err != nil {
		return err
	}
	c, err := e.loadChain(s.chain)
	if err != nil {
		if s.json { // no take has an object then
			e.printJSON(failureJSON{1, "process", exitCode(err), err.Error()})
		}
		return err
	}
	if !s.quiet {
		warn(e.stderr, c.Warnings())
	}
	tasks, err := s.tasks(f.Args())
	if err != nil {
		return err
	}
	b := &batch{env: e, settings: s, chain: c, tasks: tasks}
	return b.run()
}

// batch runs the tasks of one call.
type batch struct {
	env
	settings processSettings
	chain    *chain.Chain
	tasks    []task
	progress *progress
}

func (b *batch) run() error {
	if b.settings.outDir != "" && !b.settings.plan {
		if err := os.MkdirAll(b.settings.outDir, 0o777); err != nil {
			return outputError(err)
		}
	}
	b.progress = newProgress(b.stderr, b.settings.quiet || b.settings.plan, 0)
	if b.progress.w != nil {
		b.progress.total = b.totalFrames()
	}

	// Files side by side first; goroutines that are left share each file.
	atOnce := min(b.settings.jobs, len(b.tasks))
	workers := max(1, b.settings.jobs/atOnce)
	reports := make([]chan *report, len(b.tasks))
	for i := range reports {
		reports[i] = make(chan *report, 1)
	}
	var group sync.WaitGroup
	defer group.Wait()
	next := make(chan int, len(b.tasks))
	for i := range b.tasks {
		next <- i
	}
	close(next)
	for range atOnce {
		group.Go(func() {
			for i := range next {
				reports[i] <- b.process(b.tasks[i], workers)
			}
		})
	}

	var worst error
	failed := 0
	for i := range reports { // in the order of the call, whoever ends first
		r := <-reports[i]
		b.progress.clear()
		if r.err != nil {
			failed++
			if worst == nil || exitCode(r.err) > exitCode(worst) {
				worst = r.err
			}
		}
		r.print(b)
	}
	if len(b.tasks) > 1 && !b.settings.quiet && !b.settings.json {
		fmt.Fprintf(b.stdout, "%d of %s done\n", len(b.tasks)-failed, plural(len(b.tasks), "take"))
	}
	if worst != nil {
		return &coded{exitCode(worst), errReported}
	}
	return nil
}

// totalFrames is the work ahead, as far as the headers tell.
func (b *batch) totalFrames() (total int64) {
	for _, t := range b.tasks {
		if r, err := wave.Open(t.in); err == nil {
			total += r.Frames()
			r.Close()
		}
	}
	return total
}

// process does one task. Its error carries the exit code.
func (b *batch) process(t task, workers int) *report {
	r := &report{task: t}
	r.err = b.fill(r, workers)
	if r.err != nil && b.ctx.Err() != nil {
		r.err = withCode(exitInterrupted, fmt.Errorf("%s: interrupted: nothing of it is written", r.in))
	}
	return r
}

func (b *batch) fill(r *report, workers int) error {
	if b.ctx.Err() != nil {
		return b.ctx.Err()
	}
	s := &b.settings
	reader, err := wave.Open(r.in)
	if err != nil {
		return inputError(err)
	}
	defer reader.Close()
	r.inFormat, r.inFrames = reader.Format(), reader.Frames()
	defer func() { r.inWarnings = reader.Warnings() }()

	engine, err := b.chain.Prepare(r.inFormat.Rate, r.inFormat.Channels)
	if err != nil {
		return withCode(exitUsage, err)
	}
	r.stages = engine.Plan()
	r.latency = engine.Latency()
	output := s.output()
	r.outFormat = output.Format(r.inFormat)
	r.dither = output.DitherOf(r.inFormat, len(r.stages) > 0)
	if s.plan {
		return nil
	}

	var done int64
	options := chain.Options{
		KeepDelay: s.keepDelay, RepairNonFinite: s.repair, Workers: workers,
		Progress: func(frames int64) {
			b.progress.add(frames - done)
			done = frames
		},
	}
	var trace *wave.File
	if s.trace != "" {
		trace, err = b.createFile(s.trace, s.replace, append(b.protected(), r.out))
		if err != nil {
			return err
		}
		defer trace.Abort()
		options.Trace = chain.NewTrace(trace)
	}
	b.sweep(filepath.Dir(r.out))
	writer, result, err := engine.Render(b.ctx, reader, r.out, output, wave.Options{Replace: s.replace, Inputs: b.protected()}, options)
	r.result = result
	if err != nil {
		return runError(r.in, err)
	}
	defer writer.Abort() // does nothing after Commit
	outputs := []wave.Output{writer}
	if trace != nil {
		outputs = append(outputs, trace)
	}
	if err := wave.CommitTogether(outputs...); err != nil {
		return outputError(err)
	}
	r.overs = writer.Overs()
	return nil
}

// protected lists what no output may replace.
func (b *batch) protected() []string {
	paths := []string{b.settings.chain}
	for _, t := range b.tasks {
		paths = append(paths, t.in)
	}
	return paths
}

// runError puts an error of a run in words: it is the input's fault unless it is a
// *wave.OutputError.
func runError(in string, err error) error {
	if errors.Is(err, wave.ErrExists) || errors.Is(err, wave.ErrIsInput) || errors.Is(err, wave.ErrNotAFile) {
		return outputError(err)
	}
	var nonFinite *chain.NonFiniteError
	if errors.As(err, &nonFinite) {
		err = fmt.Errorf("%s: %w; --repair-nonfinite replaces them by zero", in, err)
	}
	return inputError(err)
}
