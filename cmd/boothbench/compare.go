package main

import (
	"context"
	"errors"
	"fmt"
	"runtime"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/compare"
)

const compareUsage = `boothbench compare measures how file B differs from file A. It finds B's delay, to a
fraction of a frame, the drift of its clock, its level and its polarity; corrects them;
and measures the difference that remains: as a level, by frequency, and where it is
largest. Where the files are not versions of one sound, it reports that.

In two folders it compares the files that have the same name. It prints one line for
each pair, the largest difference first, and the files that only one folder has.

Usage: boothbench compare A.wav B.wav [flags]
       boothbench compare OLD/ NEW/ [flags]

Examples:
  boothbench compare old/ new/ --at-most -90
  boothbench compare before.wav after.wav
  boothbench compare before.wav after.wav --residual difference.wav --at-most -90
`

func runCompare(e env, args []string) error {
	f := e.flags("compare", compareUsage)
	match := f.String("match", "least-squares", "`how` levels are matched: least-squares, loudness or none")
	noAlign := f.Bool("no-align", false, "do not align: compare frame by frame from the first frames on")
	residual := f.String("residual", "", "write the difference signal, B minus A at the level of A, to this `file` (32-bit floating point)")
	atMost := f.Float64("at-most", 0, "exit code 1 where the difference that remains exceeds this level in `dBFS`. Delay, level and polarity are corrected before, so they meet any limit; --no-align and --match none count them too")
	jobs := f.Int("jobs", runtime.NumCPU(), "with folders: how many pairs are compared at once")
	replace := f.Bool("replace", false, "write over an existing file")
	asJSON := f.Bool("json", false, "print one JSON object")
	quiet := f.Bool("quiet", false, "no progress")
	if err := parse(f, args); err != nil {
		return err
	}
	matches := map[string]compare.LevelMatch{"least-squares": compare.LeastSquares, "loudness": compare.EqualLoudness, "none": compare.LevelsAsTheyAre}
	m, known := matches[*match]
	if !known {
		return usageError("--match: found %q%s; accepted: least-squares, loudness, none", *match, didYouMean(*match, []string{"least-squares", "loudness", "none"}))
	}
	if err := checkWAVName("residual", *residual); err != nil {
		return err
	}
	if f.NArg() != 2 {
		return usageError("found %s; accepted: two, for example: boothbench compare before.wav after.wav", plural(f.NArg(), "file"))
	}
	if *jobs < 1 {
		return usageError("--jobs: found %d; accepted: 1 or more", *jobs)
	}
	settings := compare.Settings{Match: m, Unaligned: *noAlign}
	switch folders := countFolders(f.Args()); {
	case folders == 1:
		return usageError("found a file and a folder; accepted: two files, or two folders")
	case folders == 2 && *residual != "":
		return usageError("--residual: found two folders; accepted: with two files")
	case folders == 2:
		c := &comparedFolders{a: f.Arg(0), b: f.Arg(1), settings: settings, jobs: *jobs}
		if f.Changed("at-most") {
			c.atMost = atMost
		}
		return c.run(e, *asJSON, *quiet)
	}
	c := &compared{files: [2]file{{path: f.Arg(0)}, {path: f.Arg(1)}}, settings: settings}
	if f.Changed("at-most") {
		if c.atMost = atMost; isOneFile(f.Arg(0), f.Arg(1)) {
			return usageError("--at-most: %s and %s are one file, which cannot differ; accepted: two files", f.Arg(0), f.Arg(1))
		}
	}
	return c.run(e, *residual, *replace, *asJSON, *quiet)
}

// compared is a pair of files and its comparison.
type compared struct {
	files    [2]file
	settings compare.Settings
	atMost   *float64
	result   *compare.Comparison
}

func (c *compared) run(e env, residual string, replace, asJSON, quiet bool) error {
	for i := range c.files { // opens each once, for its format and length
		r, err := c.files[i].open(e)
		if err != nil {
			return inputError(err)
		}
		r.Close()
		c.files[i].warn(e)
	}
	var out *wave.Writer
	if residual != "" {
		format := wave.Format{Rate: c.files[0].format.Rate, Channels: c.files[0].format.Channels, Encoding: wave.Float, Bits: 32, ChannelMask: c.files[0].format.ChannelMask}
		var err error
		if out, err = e.createWAV(residual, format, wave.Options{Replace: replace, Inputs: []string{c.files[0].path, c.files[1].path}, Frames: c.files[0].frames}); err != nil {
			return err
		}
		defer out.Abort()
		c.settings.Residual = out
	}
	shown := newProgress(e.stderr, quiet, c.files[0].frames)
	c.settings.Progress = shown.add
	opener := func(path string) func() (wave.Source, error) {
		return func() (wave.Source, error) { return e.openToCompare(path) }
	}
	var err error
	c.result, err = compare.Sounds(e.ctx, opener(c.files[0].path), opener(c.files[1].path), c.settings)
	shown.clear()
	if different := (*compare.FormatsDifferError)(nil); errors.As(err, &different) {
		err = fmt.Errorf("%s and %s: %w", c.files[0].name(), c.files[1].name(), err)
	}
	if bad := (*compare.IncomparableError)(nil); errors.As(err, &bad) {
		err = fmt.Errorf("%s: %w", c.files[bad.Sound].path, err)
	}
	if short := (*compare.ShortenedError)(nil); errors.As(err, &short) {
		err = fmt.Errorf("%s: %w", c.files[short.Sound].name(), err)
	}
	if errors.Is(err, context.Canceled) {
		return fmt.Errorf("%s and %s: %w", c.files[0].name(), c.files[1].name(), err)
	}
	if err != nil {
		return inputError(err)
	}
	if out != nil && c.result.Same {
		if err := out.Commit(); err != nil {
			return outputError(err)
		}
	}
	verdict := c.judge()
	if asJSON {
		e.printJSON(c.object(verdict))
	} else {
		c.print(e, verdict)
	}
	if verdict != nil && verdict.Verdict != measure.Pass {
		return &coded{exitLimit, errReported}
	}
	return nil
}

// openToCompare opens a file, unless the command was interrupted.
func (e env) openToCompare(path string) (wave.Source, error) {
	if err := e.ctx.Err(); err != nil {
		return nil, err
	}
	r, err := e.openAgain(path, nil)
	if err != nil {
		return nil, err
	}
	return r, nil
}

// judge holds the difference against the limit, if there is one.
func (c *compared) judge() *measure.Judgement {
	return judgeDifference(c.files[1].path, c.result.Rate, c.result.Readings(), c.atMost)
}

// judgeDifference checks a difference against a limit, if there is one. Sound of A that is
// missing in B fails any limit.
func judgeDifference(path string, rate int, readings measure.Readings, atMost *float64) *measure.Judgement {
	if atMost == nil {
		return nil
	}
	j := measure.Judge(path, rate, readings, measure.AtMost("residual_dbfs", *atMost))
	if whole := measure.Judge(path, rate, readings, measure.AtMost("missing_ms", 0)); j.Verdict == measure.Pass && whole.Verdict != measure.Pass {
		j = whole
	}
	return &j
}

func (c *compared) print(e env, verdict *measure.Judgement) {
	fmt.Fprintf(e.stdout, "%s\n", c.result.Summary())
	if verdict != nil {
		fmt.Fprintln(e.stdout, verdict)
	}
	fmt.Fprintf(e.stdout, "\nA  %s  %s, %s\nB  %s  %s\n", c.files[0].path, measure.TimeCode(c.files[0].frames, c.result.Rate), c.files[0].format,
		c.files[1].path, measure.TimeCode(c.files[1].frames, c.result.Rate))
	printReadings(e.stdout, c.result.Readings(), c.files[0].format)
}

func (c *compared) object(verdict *measure.Judgement) any {
	o := struct {
		SchemaVersion int                  `json:"schema_version"`
		Command       string               `json:"command"`
		ExitCode      int                  `json:"exit_code"`
		A             fileJSON             `json:"a"`
		B             fileJSON             `json:"b"`
		Same          bool                 `json:"same_sound"`
		Warnings      []string             `json:"warnings"`
		Summary       string               `json:"summary"`
		Differences   []compare.Difference `json:"differences"`
		From          int64                `json:"compared_from_frame"`
		To            int64                `json:"compared_to_frame"`
		Readings      measure.Readings     `json:"readings"`
	}{SchemaVersion: 1, Command: "compare", Same: c.result.Same, Summary: c.result.Summary(), Differences: append([]compare.Difference{}, c.result.Differences()...), From: c.result.From, To: c.result.To, Readings: c.result.Readings()}
	o.A = fileJSON{pathJSON: pathOf(c.files[0].path), Frames: &c.files[0].frames, formatJSON: formatOf(c.files[0].format)}
	o.B = fileJSON{pathJSON: pathOf(c.files[1].path), Frames: &c.files[1].frames, formatJSON: formatOf(c.files[1].format)}
	o.Warnings = []string{}
	for _, f := range c.files {
		for _, w := range f.warnings {
			o.Warnings = append(o.Warnings, w.String())
		}
	}
	if verdict != nil && verdict.Verdict != measure.Pass {
		o.ExitCode = exitLimit
	}
	return o
}
