package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"runtime"

	"github.com/spf13/pflag"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/tune"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/expect"
)

const deliverUsage = `boothbench deliver runs takes through a chain so that the written files meet a
loudness and a true peak. It analyses each take, finds the smallest drive_db (the input
gain of the limiter at the chain's end) that meets the loudness, writes the file, and
measures it; where its loudness is off by more than 0.02 LU it writes it again, three
times at most. It reports how much limiting the loudness took.

A target that cannot be met, or only with more than 6 dB of limiting, is refused: exit
code 1, nothing is written, and the loudness that is possible is printed.
--limiting-max-db accepts more limiting; --nearest writes the nearest that is possible.
To a chain without a limiter one gain stage is added at its end.

True peak is true_peak_dbtp of the written file (Rec. ITU-R BS.1770-5 Annex 2). A note
is printed where true_peak_fine_dbtp, a finer interpolation, exceeds the limit;
verify = true in the limiter, the default, keeps both below it. A warning names a channel
of a stereo file that is silent or far softer, and channels that cancel in mono.

Usage: boothbench deliver TAKE.wav … --chain CHAIN.toml --spec NAME --out OUT.wav [flags]
       boothbench deliver TAKE.wav … --chain CHAIN.toml --loudness-lufs X --true-peak-dbtp Y --out-dir DIR [flags]

Examples:
  boothbench deliver take.wav --chain voice.toml --spec podcast-mono --out episode.wav
  boothbench deliver take.wav --chain voice.toml --loudness-lufs -16 --true-peak-dbtp -1 --out episode.wav
  boothbench deliver part1.wav part2.wav --chain voice.toml --spec ebu-r128 --as-one-programme --out-dir done
  boothbench deliver take.wav --chain voice.toml --spec ebu-r128 --out e.wav --save-chain solved.toml
`

// deliverSettings is what the flags ask for.
type deliverSettings struct {
	outputFlags
	chain, spec, mono, saveChain string
	loudness, peak               float64
	shortTerm, spread, limiting  float64
	asOne, nearest               bool
	repair, json, quiet          bool
	jobs                         int
}

func (s *deliverSettings) register(f *pflag.FlagSet) {
	f.StringVar(&s.chain, "chain", "", "the chain `file` (TOML; boothbench init writes one)")
	f.StringVar(&s.spec, "spec", "", "the delivery specification by its `name` (boothbench specs lists them)")
	f.Float64Var(&s.loudness, "loudness-lufs", 0, "the integrated loudness to meet, in `LUFS`; with --spec: in place of the middle of its range")
	f.Float64Var(&s.peak, "true-peak-dbtp", 0, "the largest true peak, in `dBTP`")
	f.Float64Var(&s.shortTerm, "short-term-max-lufs", 0, "the largest short-term loudness, in `LUFS`")
	f.Float64Var(&s.spread, "range-max-lu", 0, "the largest loudness range, in `LU`; where it is exceeded a compressor is proposed, and --save-chain writes the chain with it")
	f.StringVar(&s.mono, "mono", "as-is", "`how` a file of one channel counts: as-is, or dual-mono (as two equal channels, 3.01 LU more)")
	f.Float64Var(&s.limiting, "limiting-max-db", tune.DefaultLimitingDB, "the most limiting to accept: the 95th percentile over time of the gain reduction, in `dB`")
	f.BoolVar(&s.nearest, "nearest", false, "where the target cannot be met, or not within --limiting-max-db, write the nearest instead of nothing; the exit code stays 1")
	f.BoolVar(&s.asOne, "as-one-programme", false, "one gain for all takes: together they meet the loudness")
	f.StringVar(&s.saveChain, "save-chain", "", "also write the chain with the gain that was found to this `file`; boothbench process with that chain writes the same bytes")
	s.outputFlags.register(f)
	f.BoolVar(&s.repair, "repair-nonfinite", false, "replace NaN and infinite samples by zero instead of refusing the take")
	f.IntVar(&s.jobs, "jobs", runtime.NumCPU(), "number of goroutines; the output does not depend on it")
	f.BoolVar(&s.json, "json", false, "print one JSON object per take; a single one with --as-one-programme")
	f.BoolVar(&s.quiet, "quiet", false, "no progress and no summary; warnings, refusals and errors only")
}

func (s *deliverSettings) check(f *pflag.FlagSet) error {
	takes := f.Args()
	switch {
	case len(takes) == 0:
		return usageError("no take named; for example: boothbench deliver take.wav --chain voice.toml --spec podcast-mono --out episode.wav")
	case s.chain == "":
		return usageError("no chain file named: add --chain FILE (boothbench init writes a starter)")
	case s.spec == "" && !f.Changed("loudness-lufs"):
		return usageError("no target named: add --spec NAME (boothbench specs lists them), or --loudness-lufs X --true-peak-dbtp Y")
	case s.spec == "" && !f.Changed("true-peak-dbtp"):
		return usageError("no ceiling named: add --true-peak-dbtp, such as -1")
	case s.saveChain != "" && len(takes) > 1 && !s.asOne:
		return usageError("--save-chain: found %d takes, each with its own gain; accepted: one take, or --as-one-programme", len(takes))
	case s.limiting <= 0:
		return usageError("--limiting-max-db: found %g; accepted: more than 0 dB", s.limiting)
	case s.jobs < 1:
		return usageError("--jobs: found %d; accepted: 1 or more", s.jobs)
	}
	return s.outputFlags.check(len(takes))
}

// target is what the flags ask for.
func (s *deliverSettings) target(f *pflag.FlagSet) (t tune.Target, err error) {
	if err := signForgotten(f, "loudness-lufs", "true-peak-dbtp", "short-term-max-lufs"); err != nil {
		return t, err
	}
	if s.spec == "" {
		t = tune.TargetLoudness(s.loudness, s.peak)
	} else {
		spec, err := expect.SpecNamed(s.spec)
		if err != nil {
			return t, usageError("--spec: %w", err)
		}
		if f.Changed("loudness-lufs") {
			t, err = tune.TargetWithin(spec, s.loudness)
		} else {
			if t, err = tune.TargetOf(spec); err != nil && spec.Note != "" {
				err = fmt.Errorf("%w: add --loudness-lufs (%s)", err, spec.Note)
			}
		}
		if err != nil {
			return t, withCode(exitUsage, err)
		}
		if f.Changed("true-peak-dbtp") {
			t.TruePeakDBTP = min(t.TruePeakDBTP, s.peak)
		}
	}
	if f.Changed("short-term-max-lufs") {
		t.ShortTermMaxLUFS = &s.shortTerm
	}
	if f.Changed("range-max-lu") {
		t.RangeMaxLU = &s.spread
	}
	if t.Mono, err = monoPolicy(s.mono); err != nil {
		return t, err
	}
	t.MostLimitingDB, t.Nearest = s.limiting, s.nearest
	return t, t.Check()
}

// signForgotten is the error for a level above 0 given with one of the flags, such as 16
// where -16 LUFS was meant; nil where there is none.
func signForgotten(f *pflag.FlagSet, flags ...string) error {
	for _, name := range flags {
		if v, err := f.GetFloat64(name); err == nil && v > 0 {
			return usageError("--%s: found %g, above full scale; did you mean -%[2]g?", name, v)
		}
	}
	return nil
}

func runDeliver(e env, args []string) error {
	var s deliverSettings
	f := e.flags("deliver", deliverUsage)
	s.register(f)
	if err := parse(f, args); err != nil {
		return err
	}
	if err := s.check(f); err != nil {
		return err
	}
	if err := swapped(s.chain, f.Args()); err != nil {
		return err
	}
	target, err := s.target(f)
	if err != nil {
		return usageErrorUnless(err)
	}
	c, err := e.loadChain(s.chain)
	if err != nil {
		return err
	}
	tasks, err := s.tasksFor(e, c, f.Args(), s.quiet)
	if err != nil {
		return err
	}
	if s.outDir != "" {
		if err := e.makeFolders(tasks); err != nil {
			return err
		}
	}
	var programmes [][]tune.Job
	for _, t := range tasks {
		e.sweep(filepath.Dir(t.out))
		job := tune.Job{In: t.in, Out: t.out}
		if s.asOne && len(programmes) > 0 {
			programmes[0] = append(programmes[0], job)
		} else {
			programmes = append(programmes, []tune.Job{job})
		}
	}
	if s.saveChain != "" { // before hours of work
		if err := e.canSave(&s, programmes[0]); err != nil {
			return err
		}
	}
	defer sparingMemory()()
	var worst error
	for _, jobs := range programmes {
		r := e.deliver(&s, c, target, jobs)
		if errors.Is(r.err, context.Canceled) {
			return fmt.Errorf("%s: %w: nothing is written", jobs[0].In, r.err)
		}
		if r.code() > exitCode(worst) {
			worst = &coded{r.code(), errReported}
		}
		r.print(e, &s)
	}
	return worst
}

// deliver delivers one programme: one take, or all with --as-one-programme.
func (e env) deliver(s *deliverSettings, c *chain.Chain, target tune.Target, jobs []tune.Job) *deliverReport {
	r := &deliverReport{jobs: jobs, target: target, chain: c}
	shown := newProgress(e.stderr, s.quiet, 0)
	defer shown.clear()
	settings := tune.Settings{Output: s.output(), Replace: s.replace, Workers: s.jobs, RepairNonFinite: s.repair}
	if s.chain != "-" { // standard input
		settings.Inputs = []string{s.chain}
	}
	if shown.w != nil {
		settings.Progress = passProgress(shown, jobs)
	}
	if s.saveChain != "" {
		settings.Also = func(solved *tune.Solution) ([]wave.Output, error) {
			text, err := solved.ChainText()
			if err != nil {
				return nil, err
			}
			return e.chainFile(s, text, jobs)
		}
	}
	r.delivery, r.err = tune.Deliver(e.ctx, c, target, jobs, settings)
	if refusal := r.refusal(); refusal != nil && refusal.Proposal != nil && s.saveChain != "" {
		r.saved = e.saveProposal(s, refusal.Proposal, jobs)
	}
	return r
}

// saveProposal writes a proposed chain.
func (e env) saveProposal(s *deliverSettings, p *tune.Proposal, jobs []tune.Job) error {
	text, err := p.ChainText()
	if err != nil {
		return err
	}
	outputs, err := e.chainFile(s, text, jobs)
	if err != nil {
		return err
	}
	return wave.CommitTogether(outputs...)
}

// canSave returns an error where the chain file cannot be begun.
func (e env) canSave(s *deliverSettings, jobs []tune.Job) error {
	for _, j := range jobs {
		if filepath.Clean(j.Out) == filepath.Clean(s.saveChain) {
			return usageError("--save-chain: found %s, which is the output for %s; accepted: another file", nameOf(s.saveChain), nameOf(j.In))
		}
	}
	begun, err := e.beginChain(s, jobs)
	if err == nil {
		begun.Abort()
	}
	return err
}

// beginChain begins the file of a solved or proposed chain.
func (e env) beginChain(s *deliverSettings, jobs []tune.Job) (*wave.File, error) {
	inputs := []string{s.chain}
	for _, j := range jobs {
		inputs = append(inputs, j.In, j.Out)
	}
	return e.createFile(s.saveChain, s.replace, inputs)
}

// chainFile writes that file, which is still to be committed.
func (e env) chainFile(s *deliverSettings, text []byte, jobs []tune.Job) ([]wave.Output, error) {
	out, err := e.beginChain(s, jobs)
	if err != nil {
		return nil, err
	}
	if _, err := out.Write(text); err != nil {
		out.Abort()
		return nil, outputError(err)
	}
	return []wave.Output{out}, nil
}

// passProgress shows each pass by its name.
func passProgress(shown *progress, jobs []tune.Job) func(tune.Pass, int, int64) {
	frames := make([]int64, len(jobs))
	total := int64(0)
	for i, j := range jobs {
		if r, err := wave.Open(j.In); err == nil {
			frames[i] = r.Frames()
			r.Close()
		}
		total += frames[i]
	}
	var now tune.Pass
	done, begun := int64(0), false
	return func(p tune.Pass, job int, read int64) {
		if p != now || !begun {
			shown.begin(p.String(), total)
			now, done, begun = p, 0, true
		}
		at := read
		for _, n := range frames[:job] {
			at += n
		}
		shown.add(at - done)
		done = at
	}
}
