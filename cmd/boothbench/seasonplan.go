package main

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/pflag"

	"github.com/boothbench/boothbench/chain/season"
	"github.com/boothbench/boothbench/chain/tune"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/expect"
)

// seasonPlanSettings is what the flags of season plan ask for.
type seasonPlanSettings struct {
	outputFlags
	chain, list, spec, mono string
	limits, conversations   string
	loudness, peak          float64
	shortTerm, spread       float64
	limiting                float64
	asOne, nearest          bool
	shares                  int
	repair, quiet           bool
}

func (s *seasonPlanSettings) register(f *pflag.FlagSet) {
	f.StringVar(&s.chain, "chain", "", "the chain `file`")
	f.StringVar(&s.list, "list", "", "a `file` with the path of a take on each line")
	f.StringVar(&s.spec, "spec", "", "deliver each take to the specification of this `name`")
	f.StringVar(&s.mono, "mono", "as-is", "with --spec: `how` a file of one channel counts: as-is, or dual-mono (as two equal channels, 3.01 LU more)")
	f.Float64Var(&s.loudness, "loudness-lufs", 0, "deliver to this integrated loudness, in `LUFS`; with --spec: in place of the middle of its range")
	f.Float64Var(&s.peak, "true-peak-dbtp", 0, "deliver with this largest true peak, in `dBTP`")
	f.Float64Var(&s.shortTerm, "short-term-max-lufs", 0, "the largest short-term loudness, in `LUFS`")
	f.Float64Var(&s.spread, "range-max-lu", 0, "the largest loudness range, in `LU`; of one programme: of all takes together")
	f.Float64Var(&s.limiting, "limiting-max-db", tune.DefaultLimitingDB, "the most limiting to accept: the 95th percentile over time of the gain reduction, in `dB`")
	f.BoolVar(&s.nearest, "nearest", false, "where a target cannot be met, write the nearest instead of nothing; season gather exits with 1 then")
	f.StringVar(&s.conversations, "conversations", "", "a conversations `file`: which takes are microphones of one conversation, whether they are linked, and how they are mixed")
	f.BoolVar(&s.asOne, "as-one-programme", false, "one gain for all takes: together they meet the loudness. They are analysed by one run of all shares, gathered, and rendered by another")
	f.StringVar(&s.limits, "limits", "", "hold each output against this limits `file`, as boothbench check takes it; its file patterns are relative to the season's folder")
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
	f := e.flags("season plan", seasonPlanUsage)
	s.register(f)
	if err := parse(f, args); err != nil {
		return err
	}
	if err := signForgotten(f, "loudness-lufs", "true-peak-dbtp", "short-term-max-lufs"); err != nil {
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
	case s.spec == "" && f.Changed("loudness-lufs") != f.Changed("true-peak-dbtp"):
		return usageError("found one of --loudness-lufs and --true-peak-dbtp; accepted: both, or --spec NAME")
	case s.asOne && !s.delivers(f):
		return usageError("--as-one-programme: no target named: add --spec NAME (boothbench specs lists them), or --loudness-lufs X --true-peak-dbtp Y")
	case f.Changed("mono") && !s.delivers(f):
		return usageError("--mono is for takes that are delivered: add --spec NAME")
	case s.limiting <= 0:
		return usageError("--limiting-max-db: found %g; accepted: more than 0 dB", s.limiting)
	case !s.delivers(f) && (s.nearest || f.Changed("limiting-max-db") || f.Changed("range-max-lu") || f.Changed("short-term-max-lufs")):
		return usageError("--nearest, --limiting-max-db, --range-max-lu and --short-term-max-lufs are for takes that are delivered: add --spec NAME")
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
	if s.limits != "" {
		text, err := e.text(s.limits, "limits file")
		if err != nil {
			return err
		}
		if _, err := expect.Parse(nameOf(s.limits), text); err != nil {
			return usageErrorUnless(err)
		}
		plan.LimitsText = string(text)
	}
	if plan.AsOneProgramme = s.asOne; s.delivers(f) {
		d := deliverSettings{spec: s.spec, mono: s.mono, loudness: s.loudness, peak: s.peak, shortTerm: s.shortTerm, spread: s.spread, limiting: s.limiting, nearest: s.nearest}
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
	if s.conversations != "" {
		text, err := e.text(s.conversations, "conversations file")
		if err != nil {
			return err
		}
		if plan.Conversations, err = season.ParseConversations(nameOf(s.conversations), text, plan.Takes); err != nil {
			return usageErrorUnless(err)
		}
	}
	p, err := season.NewPlan(s.outDir, plan)
	var exists *season.ExistsError
	var output *wave.OutputError
	var foreign *season.ForeignError
	switch {
	case errors.As(err, &exists), errors.As(err, &foreign):
		return usageErrorUnless(err)
	case errors.As(err, &output):
		return outputError(err)
	case err != nil:
		return inputError(err)
	}
	if !s.quiet {
		fmt.Fprintf(e.stdout, "%s: %s in %s", filepath.Join(s.outDir, "season.json"), plural(len(p.Takes), "take"), plural(p.Shares, "share"))
		if n := len(p.Conversations); n > 0 {
			fmt.Fprintf(e.stdout, ", %s", plural(n, "conversation"))
		}
		fmt.Fprintln(e.stdout)
	}
	return nil
}

// delivers reports whether there is a loudness to meet.
func (s *seasonPlanSettings) delivers(f *pflag.FlagSet) bool {
	return s.spec != "" || f.Changed("loudness-lufs") && f.Changed("true-peak-dbtp")
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
		for first := true; lines.Scan(); first = false {
			line := strings.TrimRight(lines.Text(), "\r")
			if first {
				line = strings.TrimPrefix(line, "\ufeff") // a byte order mark, which some editors write
			}
			if line != "" {
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
