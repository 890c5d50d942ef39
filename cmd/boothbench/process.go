package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"sync"

	"github.com/spf13/pflag"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
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

// processSettings is what the flags ask for.
type processSettings struct {
	chain, out, outDir, trace string
	bits                      int
	float                     bool
	dither                    string
	ditherSeed                uint64
	replace, keepDelay, plan  bool
	repair, json, quiet       bool
	jobs                      int
}

func (s *processSettings) register(f *pflag.FlagSet) {
	f.StringVar(&s.chain, "chain", "", "the chain `file` (TOML; boothbench init writes one)")
	f.StringVar(&s.out, "out", "", "the output `file`, for one take")
	f.StringVar(&s.outDir, "out-dir", "", "the `folder` for the outputs, named as the takes")
	f.BoolVar(&s.replace, "replace", false, "write over existing outputs (never over an input)")
	f.IntVar(&s.bits, "bits", 0, "bits a sample: 16, 24 or 32; with --float 32 or 64 (default: the take's)")
	f.BoolVar(&s.float, "float", false, "write floating point (default: as the take)")
	f.StringVar(&s.dither, "dither", "auto", "auto, tpdf or none; auto is tpdf where the output has fewer bits than\nwhat was computed")
	f.Uint64Var(&s.ditherSeed, "dither-seed", 1, "seed of the dither noise: same seed, same bits")
	f.BoolVar(&s.keepDelay, "keep-delay", false, "leave the chain's latency in the output, which grows by it")
	f.BoolVar(&s.repair, "repair-nonfinite", false, "replace NaN and infinite samples by zero instead of refusing the take")
	f.StringVar(&s.trace, "trace", "", "also write each dynamics stage's gain, a row a ms, to this CSV `file`")
	f.IntVar(&s.jobs, "jobs", runtime.NumCPU(), "goroutines at work; the output does not depend on it")
	f.BoolVar(&s.plan, "plan", false, "say what would be done, with each stage's latency, and write nothing")
	f.BoolVar(&s.json, "json", false, "print one JSON object a take")
	f.BoolVar(&s.quiet, "quiet", false, "no progress and no summary; warnings and errors only")
}

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
	c, err := chain.Load(s.chain)
	if err != nil {
		return withCode(exitUsage, err)
	}
	if !s.quiet {
		for _, w := range c.Warnings() {
			fmt.Fprintf(e.stderr, "warning: %v\n", w)
		}
	}
	tasks, err := s.tasks(f.Args())
	if err != nil {
		return err
	}
	b := &batch{env: e, settings: s, chain: c, tasks: tasks}
	return b.run()
}

// check refuses calls that cannot be meant.
func (s *processSettings) check(takes []string) error {
	switch {
	case len(takes) == 0:
		return usageError("no take named; for example: boothbench process take.wav --chain voice.toml --out out.wav")
	case s.chain == "":
		return usageError("no chain file named: add --chain FILE (boothbench init writes a starter)")
	case s.out != "" && s.outDir != "":
		return usageError("--out and --out-dir exclude each other")
	case s.out == "" && s.outDir == "" && !s.plan:
		return usageError("no output named: add --out FILE or --out-dir DIR, or --plan to see what would be done")
	case s.out != "" && len(takes) > 1:
		return usageError("--out takes one take, found %d; use --out-dir for many", len(takes))
	case s.trace != "" && len(takes) > 1:
		return usageError("--trace takes one take, found %d", len(takes))
	case s.jobs < 1:
		return usageError("--jobs: found %d; accepted: 1 or more", s.jobs)
	}
	switch {
	case s.float && s.bits != 0 && s.bits != 32 && s.bits != 64:
		return usageError("--bits: found %d with --float; accepted: 32 or 64", s.bits)
	case !s.float && s.bits != 0 && s.bits != 16 && s.bits != 24 && s.bits != 32:
		return usageError("--bits: found %d; accepted: 16, 24 or 32 (with --float 32 or 64)", s.bits)
	}
	switch s.dither {
	case "auto", "tpdf", "none":
	default:
		return usageError("--dither: found %q%s; accepted: auto, tpdf, none", s.dither, didYouMean(s.dither, []string{"auto", "tpdf", "none"}))
	}
	return nil
}

// task is one take's way to its output.
type task struct {
	in, out string
}

func (s *processSettings) tasks(takes []string) ([]task, error) {
	tasks := make([]task, len(takes))
	from := map[string]string{}
	for i, in := range takes {
		out := s.out
		if s.outDir != "" {
			out = filepath.Join(s.outDir, filepath.Base(in))
			if other, taken := from[out]; taken {
				return nil, usageError("%s and %s would both become %s; rename one or run them apart", other, in, out)
			}
			from[out] = in
		}
		tasks[i] = task{in, out}
	}
	return tasks, nil
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
	b.progress = newProgress(b.stderr, b.settings.quiet || b.settings.plan, b.totalFrames())

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
		r.err = withCode(exitInterrupted, errors.New("interrupted: nothing written"))
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
	r.outFormat = s.outputFormat(r.inFormat)
	r.dither = s.ditherFor(r.inFormat, r.outFormat, len(r.stages) > 0)
	if s.plan {
		return nil
	}

	writer, err := wave.Create(r.out, r.outFormat, wave.Options{
		Replace: s.replace, Dither: r.dither, Seed: s.ditherSeed,
		Chunks: reader.Chunks(), Inputs: b.protected(),
	})
	if err != nil {
		return createError(err)
	}
	defer writer.Abort() // does nothing after Commit

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
		trace, err = wave.CreateFile(s.trace, s.replace, append(b.protected(), r.out))
		if err != nil {
			return createError(err)
		}
		defer trace.Abort()
		options.Trace = chain.NewTrace(trace)
	}
	sink := &outputSink{writer}
	r.result, err = engine.Run(b.ctx, reader, sink, options)
	if err != nil {
		return runError(r.in, err)
	}
	if err := writer.Commit(); err != nil {
		return outputError(err)
	}
	r.overs = writer.Overs()
	if trace != nil {
		return outputError(trace.Commit())
	}
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

// outputSink marks the errors of writing, so that they can be told from those
// of reading.
type outputSink struct{ *wave.Writer }

func (s *outputSink) Write(b dsp.Block) error { return outputError(s.Writer.Write(b)) }

// runError gives an error of a run its exit code: it is the input's fault
// unless it came from writing.
func runError(in string, err error) error {
	var c *coded
	if errors.As(err, &c) {
		return err
	}
	var nonFinite *chain.NonFiniteError
	if errors.As(err, &nonFinite) {
		err = fmt.Errorf("%s: %w; --repair-nonfinite replaces them by zero", in, err)
	}
	return inputError(err)
}

// outputFormat is the take's own format unless the flags ask for another.
func (s *processSettings) outputFormat(in wave.Format) wave.Format {
	out := in
	switch {
	case s.float:
		out.Encoding, out.Bits, out.ContainerBits = wave.Float, 32, 0
		if s.bits != 0 {
			out.Bits = s.bits
		}
	case s.bits != 0:
		out.Encoding, out.Bits, out.ContainerBits = wave.Integer, s.bits, 0
	case in.Encoding == wave.Integer && in.Bits <= 8:
		out.Bits, out.ContainerBits = 16, 0 // 8 bits hold no voice
	}
	return out
}

// ditherFor decides on dither: an integer output holds less than what the
// stages computed in 64-bit floating point, or than a take of more bits. An
// output of 32 bits is left alone: its last bit is below any converter's noise.
func (s *processSettings) ditherFor(in, out wave.Format, processed bool) wave.DitherKind {
	switch {
	case out.Encoding == wave.Float || s.dither == "none":
		return wave.NoDither
	case s.dither == "tpdf":
		return wave.TPDF
	}
	shorter := in.Encoding == wave.Float || out.Bits < in.Bits
	if (processed || shorter) && out.Bits < 32 {
		return wave.TPDF
	}
	return wave.NoDither
}
