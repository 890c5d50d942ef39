package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"github.com/boothbench/boothbench/chain/season"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

const seasonUsage = `boothbench season runs hundreds of takes through one chain, on one machine or on the
nodes of a scheduler that is there already. It has three steps:

  season plan    writes a manifest: chain, options, takes, and into how many shares
                 the work is divided
  season run     makes the outputs of one share, or of all; what is made already is
                 not made again, so a run that was ended is simply run again
  season gather  makes one table of all takes, and exits with 1 unless all are done

There is no coordinator and no lock: --share 3/20 is all that a node has to know. The
outputs have the same bytes whatever the shares, their order, retries and kills.

Usage: boothbench season plan FOLDER … --chain CHAIN.toml --out-dir DIR [--shares N] [--spec NAME]
       boothbench season run DIR [--share K/N]
       boothbench season gather DIR [--verify]

Examples:
  boothbench season plan takes --chain voice.toml --out-dir done
  boothbench season run done
  boothbench season gather done --csv season.csv --replace
  boothbench season plan --list takes.txt --chain voice.toml --spec podcast-mono --out-dir done --shares 20
  boothbench season run done --share 3/20
`

func runSeason(e env, args []string) error {
	steps := map[string]func(env, []string) error{"plan": runSeasonPlan, "run": runSeasonRun, "gather": runSeasonGather}
	if len(args) > 0 {
		if step := steps[args[0]]; step != nil {
			return step(e, args[1:])
		}
	}
	f := e.flags("season", seasonUsage)
	if err := parse(f, args); err != nil {
		return err
	}
	if f.NArg() == 0 {
		return usageError("no step named; accepted: plan, run, gather")
	}
	return usageError("found the step %q%s; accepted: plan, run, gather", f.Arg(0), didYouMean(f.Arg(0), []string{"plan", "run", "gather"}))
}

// seasonPlanSettings is what the flags of season plan ask for.
type seasonPlanSettings struct {
	outputFlags
	chain, list, spec, mono string
	shares                  int
	repair, quiet           bool
}

func (s *seasonPlanSettings) register(f *pflag.FlagSet) {
	f.StringVar(&s.chain, "chain", "", "the chain `file`")
	f.StringVar(&s.list, "list", "", "a `file` with the path of a take on each line")
	f.StringVar(&s.spec, "spec", "", "deliver each take to the specification of this `name`")
	f.StringVar(&s.mono, "mono", "as-is", "with --spec, what one channel stands for: as-is or dual-mono")
	f.IntVar(&s.shares, "shares", 1, "into how many shares the work is divided")
	s.outputFlags.register(f)
	f.BoolVar(&s.repair, "repair-nonfinite", false, "replace NaN and infinite samples by zero instead of refusing the take")
	f.BoolVar(&s.quiet, "quiet", false, "no summary; errors only")
	for _, name := range []string{"out", "replace"} {
		f.MarkHidden(name)
	}
}

func runSeasonPlan(e env, args []string) error {
	var s seasonPlanSettings
	f := e.flags("season plan", seasonUsage)
	s.register(f)
	if err := parse(f, args); err != nil {
		return err
	}
	switch {
	case s.chain == "":
		return usageError("no chain file named: add --chain FILE")
	case s.out != "" || s.replace:
		return usageError("a season's outputs go to --out-dir, and are replaced only where they are stale")
	case s.outDir == "":
		return usageError("no folder for the season named: add --out-dir DIR")
	case f.NArg() == 0 && s.list == "":
		return usageError("no take named; accepted: folders, files, --list FILE")
	case s.shares < 1:
		return usageError("--shares: found %d; accepted: 1 or more", s.shares)
	}
	if err := s.outputFlags.check(1); err != nil {
		return err
	}
	c, err := e.loadChain(s.chain)
	if err != nil {
		return err
	}
	takes, err := s.takes(e, f.Args())
	if err != nil {
		return err
	}
	tasks, err := tasksOf(takes, s.outDir)
	if err != nil {
		return err
	}
	plan := season.Plan{ChainText: string(c.Text), Output: s.output(), RepairNonFinite: s.repair, Shares: s.shares}
	if plan.ChainPath, err = filepath.Abs(s.chain); err != nil {
		return err
	}
	if plan.Program, err = programDigest(); err != nil {
		return err
	}
	if s.spec != "" {
		d := deliverSettings{spec: s.spec, mono: s.mono}
		target, err := d.target(f)
		if err != nil {
			return usageErrorUnless(err)
		}
		plan.Target = &target
	}
	for _, t := range tasks {
		path, err := filepath.Abs(t.in)
		if err != nil {
			return err
		}
		below, err := filepath.Rel(s.outDir, t.out)
		if err != nil {
			return err
		}
		plan.Takes = append(plan.Takes, season.Take{Path: path, Output: filepath.ToSlash(below)})
	}
	p, err := season.NewPlan(s.outDir, plan)
	var exists *season.ExistsError
	var output *wave.OutputError
	switch {
	case errors.As(err, &exists):
		return usageErrorUnless(err)
	case errors.As(err, &output):
		return outputError(err)
	case err != nil:
		return inputError(err)
	}
	if !s.quiet {
		fmt.Fprintf(e.stdout, "%s: %s in %s\n", filepath.Join(s.outDir, "season.json"), plural(len(p.Takes), "take"), plural(p.Shares, "share"))
	}
	return nil
}

// takes are those of the arguments and of the list.
func (s *seasonPlanSettings) takes(e env, arguments []string) ([]namedTake, error) {
	if s.list != "" {
		f, err := os.Open(s.list)
		if err != nil {
			return nil, inputError(err)
		}
		defer f.Close()
		lines := bufio.NewScanner(f)
		for lines.Scan() {
			if line := strings.TrimRight(lines.Text(), "\r"); line != "" {
				arguments = append(arguments, line)
			}
		}
		if err := lines.Err(); err != nil {
			return nil, inputError(fmt.Errorf("%s: %w", s.list, err))
		}
	}
	return e.takesOf(arguments, s.outDir)
}

// programDigest is the digest of this program: another version may make other bytes.
func programDigest() (string, error) {
	program, err := os.Executable()
	if err != nil {
		return "", err
	}
	return hashOfFile(program), nil
}

func runSeasonRun(e env, args []string) error {
	var share string
	var s season.RunSettings
	var quiet, asJSON bool
	f := e.flags("season run", seasonUsage)
	f.StringVar(&share, "share", "", "which share, from 1, of how many: `K/N` (default: all of the work)")
	f.IntVar(&s.Jobs, "jobs", runtime.GOMAXPROCS(0), "takes at a time")
	f.BoolVar(&s.ByContent, "by-content", false, "compare digests to see what is done, not sizes and times")
	f.BoolVar(&s.Again, "again", false, "try takes again that have failed")
	f.BoolVar(&asJSON, "json", false, "print one JSON object a take")
	f.BoolVar(&quiet, "quiet", false, "no progress and no summary; errors only")
	if err := parse(f, args); err != nil {
		return err
	}
	p, err := loadSeason(f)
	if err != nil {
		return err
	}
	program, err := programDigest()
	if err != nil {
		return err
	}
	if err := p.Check(program); err != nil {
		return usageErrorUnless(err)
	}
	k, n := 1, 1
	if share != "" {
		if count, err := fmt.Sscanf(share, "%d/%d", &k, &n); count != 2 || err != nil || fmt.Sprintf("%d/%d", k, n) != share || k < 1 || k > n {
			return usageError("--share: found %q; accepted: K/N with K from 1 to N, such as 3/%d", share, max(3, p.Shares))
		}
	}
	begun := time.Now()
	total := len(p.Share(k, n))
	shown := newProgress(e.stderr, quiet, int64(total))
	count := map[season.State]int{}
	worst := exitDone
	s.Done = func(o season.Outcome) {
		shown.add(1)
		count[o.State]++
		if asJSON {
			e.printJSON(seasonOutcomeJSON(o))
		}
		if o.Err == nil || errors.Is(o.Err, context.Canceled) {
			return
		}
		shown.clear()
		fmt.Fprintf(e.stderr, "%s: %s\n", o.State, said(namingTake(o.Path, o.Err)))
		var output *wave.OutputError
		if errors.As(o.Err, &output) {
			worst = max(worst, exitOutput)
		} else {
			worst = max(worst, exitInput)
		}
	}
	err = p.Run(e.ctx, k, n, s)
	shown.clear()
	if !quiet && !asJSON {
		fmt.Fprintf(e.stdout, "share %d of %d, %s: %d done, %d were done, %d failed, %d stopped; %.1f s\n", k, n, plural(total, "take"),
			count[season.Made], count[season.WasDone], count[season.Failed], count[season.Stopped], time.Since(begun).Seconds())
	}
	switch {
	case err != nil:
		return withCode(exitInterrupted, errors.New("interrupted: run it again to go on"))
	case worst != exitDone:
		return &coded{worst, errReported}
	}
	return nil
}

func loadSeason(f *pflag.FlagSet) (*season.Plan, error) {
	if f.NArg() != 1 {
		return nil, usageError("found %s; accepted: the season's folder", plural(f.NArg(), "argument"))
	}
	p, err := season.Load(f.Arg(0))
	return p, inputError(err)
}

func runSeasonGather(e env, args []string) error {
	var verify, asJSON, replace, quiet bool
	var csvFile string
	f := e.flags("season gather", seasonUsage)
	f.BoolVar(&verify, "verify", false, "read every output and compare its digest")
	f.StringVar(&csvFile, "csv", "", "also write the table to this `file`, a row for each take")
	f.BoolVar(&replace, "replace", false, "write over an existing --csv file")
	f.BoolVar(&asJSON, "json", false, "print the table as one JSON object")
	f.BoolVar(&quiet, "quiet", false, "no table; errors only")
	if err := parse(f, args); err != nil {
		return err
	}
	p, err := loadSeason(f)
	if err != nil {
		return err
	}
	if err := p.Sweep(func(l wave.Leftover) { fmt.Fprintln(e.stderr, l) }); err != nil {
		return outputError(err)
	}
	t, err := p.Gather(verify)
	if err != nil {
		return inputError(err)
	}
	if csvFile != "" {
		out, err := e.createFile(csvFile, replace, nil)
		if err != nil {
			return err
		}
		defer out.Abort()
		if err := t.WriteCSV(out); err != nil {
			return outputError(err)
		}
		if err := out.Commit(); err != nil {
			return outputError(err)
		}
	}
	code := exitDone
	if !t.Complete() {
		code = exitLimit
	}
	switch {
	case asJSON:
		e.printJSON(struct {
			SchemaVersion int    `json:"schema_version"`
			Command       string `json:"command"`
			ExitCode      int    `json:"exit_code"`
			*season.Table
		}{1, "season gather", code, t})
	case !quiet:
		printSeason(e, t)
	}
	if code != exitDone {
		return &coded{code, errReported}
	}
	return nil
}

// seasonOutcomeJSON is the object of a take.
func seasonOutcomeJSON(o season.Outcome) any {
	object := struct {
		SchemaVersion int                 `json:"schema_version"`
		Command       string              `json:"command"`
		Take          string              `json:"take"`
		Output        string              `json:"output"`
		State         season.State        `json:"state"`
		Error         string              `json:"error,omitempty"`
		Readings      map[string]*float64 `json:"readings,omitempty"`
	}{1, "season run", o.Path, o.Output, o.State, "", nil}
	if o.Err != nil {
		object.Error = said(o.Err)
	}
	if o.Receipt != nil {
		object.Readings = o.Receipt.Readings
	}
	return object
}

// printSeason prints what is not as it should be, then the groups and the totals.
func printSeason(e env, t *season.Table) {
	short, seconds := 0, 0.0
	for _, r := range t.Rows {
		if d := r.Readings["duration_s"]; d != nil {
			seconds += *d
		}
		if r.TooShort {
			short++
		}
		switch {
		case r.State != season.Made:
			fmt.Fprintf(e.stdout, "%-8s  %s: %s\n", r.State, r.Output, r.Note)
		case r.Apart != nil:
			fmt.Fprintf(e.stdout, "apart     %s: %+.1f LU from the median of its group\n", r.Output, *r.Apart)
		}
	}
	fmt.Fprintf(e.stdout, "%-30s %6s %12s %10s %6s\n", "folder", "judged", "median LUFS", "spread LU", "apart")
	for _, g := range t.Groups {
		name := g.Name
		if name == "" {
			name = "all"
		}
		middle, spread := "-", "-"
		if g.Takes > 0 {
			middle, spread = fmt.Sprintf("%.1f", g.MedianLUFS), fmt.Sprintf("%.2f", g.SpreadLU)
		}
		fmt.Fprintf(e.stdout, "%-30s %6d %12s %10s %6d\n", name, g.Takes, middle, spread, g.Apart)
	}
	fmt.Fprintf(e.stdout, "%d of %s done, %s of sound", t.Counts[season.Made], plural(len(t.Rows), "take"), measure.TimeCode(int64(seconds*1000), 1000))
	for _, s := range []season.State{season.Failed, season.Missing, season.Stale, season.Corrupt} {
		if n := t.Counts[s]; n > 0 {
			fmt.Fprintf(e.stdout, ", %d %s", n, s)
		}
	}
	if short > 0 {
		fmt.Fprintf(e.stdout, "; %d too short to judge", short)
	}
	fmt.Fprintln(e.stdout)
}
