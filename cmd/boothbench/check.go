package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/boothbench/boothbench/chain/tune"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/expect"
)

const checkUsage = `boothbench check compares the readings of files and chains with limits, for automated
tests: exit code 0 when all limits are met, 1 when one is not. Each failure states
file, reading, value, limit, time code and what to do. Where loudness or peaks of a
stereo file have limits, a silent or far softer channel and channels that cancel in mono
are warnings; limits for correlation and channel_gain_db make them failures.

Usage: boothbench check [FILE.wav …] --limits LIMITS.toml [flags]   (no FILE: those it names)
       boothbench check FILE.wav … --spec NAME [flags]             (- for standard input)

Examples:
  boothbench check ep1.wav --spec podcast-mono              (boothbench specs lists the names)
  boothbench check --limits season.toml --junit report.xml
  boothbench check ep1.wav --record baseline --why "approved by the producer"
  boothbench check ep1.wav --baseline baseline
  boothbench check --limits season.toml --history runs.jsonl --label "$COMMIT"

A limits file:
  schema = 1
  [[expect]]
  files = ["ep*.wav"]                                  # without this line: each FILE
  spec = "ebu-r128"                                    # see boothbench specs
  noise_floor_dbfs = { max = -60, why = "our room" } # why: printed beside the limit
  sample_bits = { min = 24 }                           # also channels, rate_hz, duration_s
  [[expect]]
  files = ["ep1.wav"]
  like = "ep1-before.wav"                              # compared with it (boothbench compare);
                                                       # missing_ms: at most 0 unless set
  baseline = "baseline"
  residual_dbfs = { max = -90 }
  [[expect]]
  chain = "voice.toml"
  claims_failed = { max = 0 }                          # see boothbench prove
  [[expect]]
  files = ["take*.wav"]
  through = "voice.toml"                               # limits for the output of this chain
  limiter_reduction_p95_db = { max = 3 }
  overshoot_fine_db = { max = 0.05 }
  [[expect]]
  sheet = "device.json"                                # see boothbench bench
  test = "dynamic-range"                               # and path = …; without: all that have it
  dynamic_range_a_db = { min = 110 }
  accept = ["polarity inverted"]                       # a finding by part of its sentence;
                                                       # findings: others at most 0 unless set
`

func runCheck(e env, args []string) error {
	f := e.flags("check", checkUsage)
	limits := f.String("limits", "", "the limits `file`")
	spec := f.String("spec", "", "a delivery specification by its `name`, in place of a limits file")
	junit := f.String("junit", "", "also write a JUnit XML report to this `file`")
	summary := f.String("summary", "", "also write a summary of at most ten lines, in Markdown, to this `file`")
	annotations := f.String("annotations", "", "also write each limit that is not met to this `file`, one per line, in fields separated by tabs (see measure/expect/CHECK.md)")
	history := f.String("history", "", "append the readings to this `file`, one line of JSON per run (boothbench report history draws it)")
	label := f.String("label", "", "with --history: a `text` that names the checked version, such as a commit")
	tap := f.Bool("tap", false, "print the Test Anything Protocol")
	asJSON := f.Bool("json", false, "print one JSON object per file or chain")
	artefacts := f.String("artefacts", "", "where a file fails a limit on its difference from like, write the difference as sound into this `folder`")
	baseline := f.String("baseline", "", "compare the files with the baselines that --record stored in this `folder`")
	record := f.String("record", "", "instead of checking, store the files that are new or have changed as baselines in this `folder`")
	recordAll := f.Bool("all", false, "with --record: also store files whose differences are within what a baseline allows")
	prune := f.Bool("prune", false, "with --record: remove the baselines of files that are no longer there")
	why := f.String("why", "", "the `reason` for --record, one for all files; it is kept in the baselines")
	replace := f.Bool("replace", false, "overwrite existing reports")
	jobs := f.Int("jobs", 1, "how many files are measured at once")
	quiet := f.Bool("quiet", false, "print failures only, and no progress")
	if err := parse(f, args); err != nil {
		return err
	}
	switch {
	case *jobs < 1:
		return usageError("--jobs: found %d, accepted: 1 or more", *jobs)
	case *record != "" && (*limits+*spec+*baseline+*junit+*summary+*annotations+*history+*artefacts != "" || *tap || *asJSON):
		return usageError("found --record and a flag of checking; accepted: --record with --why, --all and --prune")
	case *record == "" && (*why != "" || *recordAll || *prune):
		return usageError("found --why, --all or --prune without --record; accepted: with it")
	case *record != "":
		return e.record(recordOptions{*record, *why, *recordAll, *prune}, f.Args())
	case *limits != "" && *baseline != "":
		return usageError("found --limits and --baseline; accepted: one of them; a limits file names a baseline itself")
	case *spec != "" && (*limits != "" || *baseline != ""):
		return usageError("found --spec and another source of limits; accepted: one of them; a limits file names specifications itself: spec = %q", *spec)
	case (*baseline != "" || *spec != "") && f.NArg() == 0:
		return usageError("no file named; for example: boothbench check episode.wav --spec podcast-mono")
	case *limits == "" && *baseline == "" && *spec == "":
		return usageError("no --limits and no --spec; for example: boothbench check episode.wav --spec podcast-mono")
	case *label != "" && *history == "":
		return usageError("found --label without --history; accepted: both")
	case *tap && *asJSON:
		return usageError("found --tap and --json; accepted: one of them")
	}
	named := slices.Clone(f.Args())
	if err := onceFromStandardInput(append(slices.Clone(named), *limits)...); err != nil {
		return err
	}
	var err error
	l := expect.AgainstBaselines(*baseline) // used where neither --limits nor --spec is given
	switch {
	case *limits != "":
		l, err = e.loadLimits(*limits)
	case *spec != "":
		l, err = expect.AgainstSpec(*spec)
	}
	if err != nil {
		return usageErrorUnless(err)
	}
	if l.Artefacts = *artefacts; *artefacts != "" {
		if err := wave.MakeFolder(*artefacts); err != nil {
			return outputError(err)
		}
	}
	kept := "" // the temporary file that holds standard input
	for i, file := range named {
		if file != standardInput {
			continue
		}
		if *baseline != "" {
			return usageError("--baseline: found -; accepted: files, since baselines are kept under their names")
		}
		if kept, err = e.keepTake(); err != nil {
			return runError(nameOf(standardInput), err)
		}
		named[i] = kept
	}
	files, chains, err := l.Subjects(named)
	if err != nil {
		return withCode(exitUsage, err)
	}
	if *artefacts != "" {
		for _, file := range files {
			e.sweepFor(l.ArtefactOf(file))
		}
	}
	if *history != "" {
		if err := historyWritable(*history, slices.Concat(files, chains, []string{*limits})); err != nil {
			return err
		}
	}
	// The reports are opened first: where one cannot be written, nothing is measured.
	reports := []struct {
		path  string
		write func(io.Writer, expect.Run) error
		file  *wave.File
	}{
		{path: *junit, write: func(w io.Writer, r expect.Run) error { return expect.WriteJUnit(w, r, time.Now()) }},
		{path: *summary, write: expect.WriteSummary},
		{path: *annotations, write: func(w io.Writer, r expect.Run) error { return expect.WriteAnnotations(w, r.Results()) }},
	}
	for i := range reports {
		r := &reports[i]
		if r.path == "" {
			continue
		}
		if r.file, err = e.createFile(r.path, *replace, slices.Concat(files, chains, []string{*limits})); err != nil {
			return err
		}
		defer r.file.Abort()
	}
	shown := newProgress(e.stderr, *quiet, int64(len(files)+len(chains)))
	var outputs []wave.Output
	run, err := l.Run(e.ctx, named, expect.Work{Jobs: *jobs, Done: func() { shown.add(1) }, Keep: func(w *wave.Writer) { outputs = append(outputs, w) }})
	defer func() {
		for _, o := range outputs {
			if w, ok := o.(*wave.Writer); ok {
				w.Abort()
			}
		}
	}()
	shown.clear()
	if errors.Is(err, context.Canceled) {
		return fmt.Errorf("%w; nothing is checked", err)
	}
	if err != nil {
		return withCode(exitUsage, err)
	}
	for i := range run.Checked {
		e.advise(run.Checked[i].Subject, run.Checked[i].Judgements)
	}
	if kept != "" {
		renameSubject(run.Checked, kept, nameOf(standardInput))
	}
	// An artefact that cannot be written is the end of the run: nothing appears.
	for _, c := range run.Checked {
		if failed := (*wave.OutputError)(nil); errors.As(c.Err, &failed) {
			return outputError(c.Err)
		}
	}
	// The files appear together or not at all, once the history holds the run, and before
	// anything is printed.
	for _, r := range reports {
		if r.file != nil && err == nil {
			outputs, err = append(outputs, r.file), r.write(r.file, run)
		}
	}
	if err == nil && *history != "" {
		err = addHistory(*history, *label, run)
	}
	if err == nil && len(outputs) > 0 {
		err = wave.CommitTogether(outputs...)
	}
	if err != nil {
		return outputError(err)
	}
	switch {
	case *tap:
		err = expect.WriteTAP(e.stdout, run.Results())
	case *asJSON:
		for _, c := range run.Checked {
			e.printJSON(checkedObject(c))
		}
	default:
		printChecked(e.stdout, run, *limits != "", *quiet)
	}
	if err != nil {
		return outputError(err)
	}
	return e.worst(run)
}

// advise completes the advice in the judgements of a file. Where that fails, the general
// advice on the reading stays.
func (e env) advise(path string, judgements []measure.Judgement) {
	tune.Advise(e.ctx, func() (wave.Source, error) { return wave.Open(path) }, judgements)
}

// renameSubject replaces the path of a temporary file by the name of its input.
func renameSubject(checked []expect.Checked, kept, name string) {
	for i := range checked {
		c := &checked[i]
		if c.Subject != kept {
			continue
		}
		c.Subject = name
		for k := range c.Judgements {
			c.Judgements[k].Subject = name
		}
		for k := range c.Changes {
			c.Changes[k] = strings.ReplaceAll(c.Changes[k], kept, name)
		}
	}
}

// worst reports the files that could not be measured, and chooses the exit code.
func (e env) worst(run expect.Run) error {
	var worst error
	for _, c := range run.Checked {
		warn(e.stderr, c.Warnings)
		warn(e.stderr, underName(c.Subject, c.ChannelFaults))
		if c.Err != nil {
			fmt.Fprintf(e.stderr, "boothbench check: %s\n", wave.ErrorText(c.Err))
			worst = &coded{max(exitCode(worst), exitCode(inputErrorUnless(c.Err))), errReported}
		}
	}
	if worst == nil && !run.Passed() {
		if len(run.Checked) == 0 || !slices.ContainsFunc(run.Checked, func(c expect.Checked) bool { return len(c.Judgements) > 0 }) {
			fmt.Fprintln(e.stderr, "boothbench check: nothing was checked")
		}
		worst = &coded{exitLimit, errReported}
	}
	return worst
}

// printChecked prints the verdicts: failures first, then the rest, then the number of
// limits of each group.
func printChecked(w io.Writer, run expect.Run, groups, quiet bool) {
	limits, failed, unmeasured := 0, 0, 0
	for _, c := range run.Checked {
		if c.Err != nil { // the reason is an error, on standard error
			unmeasured++
		}
		for _, change := range c.Changes {
			word := "differs"
			if !c.Passed() {
				word = "changed"
			}
			fmt.Fprintf(w, "%-9s  %s\n", word, change)
		}
		for _, j := range c.Judgements {
			if limits++; j.Verdict != measure.Pass {
				failed++
				fmt.Fprintln(w, j)
			}
		}
	}
	for _, c := range run.Checked {
		for _, kept := range c.Kept {
			fmt.Fprintf(w, "%-9s  %s\n", "kept", kept)
		}
	}
	if quiet {
		return
	}
	for _, c := range run.Checked {
		for _, j := range c.Judgements {
			if j.Verdict == measure.Pass {
				fmt.Fprintln(w, j)
			}
		}
	}
	for _, g := range run.Groups {
		if groups {
			fmt.Fprintf(w, "%-9s  %s\n", "judged", g)
		}
	}
	text := fmt.Sprintf("%s met, %d not met", plural(limits-failed, "limit"), failed)
	if unmeasured > 0 {
		text += fmt.Sprintf("; %s could not be measured", plural(unmeasured, "subject"))
	}
	if limits+unmeasured > 0 {
		fmt.Fprintln(w, text)
	}
}
