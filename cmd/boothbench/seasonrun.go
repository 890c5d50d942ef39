package main

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"time"

	"github.com/boothbench/boothbench/chain/season"
	"github.com/boothbench/boothbench/chain/tune"
	"github.com/boothbench/boothbench/dsp/wave"
)

func runSeasonRun(e env, args []string) error {
	var share string
	var s season.RunSettings
	var quiet, asJSON bool
	f := e.flags("season run", seasonRunUsage)
	f.StringVar(&share, "share", "", "which share, from 1, of how many: `K/N` (default: all of the work)")
	f.IntVar(&s.Jobs, "jobs", runtime.GOMAXPROCS(0), "takes at a time")
	f.BoolVar(&s.ByContent, "by-content", false, "compare digests to see what is done, not sizes and times")
	f.BoolVar(&s.Again, "again", false, "try again the takes that have failed")
	f.BoolVar(&asJSON, "json", false, "print one JSON object a take")
	f.BoolVar(&quiet, "quiet", false, "no progress and no summary; errors only")
	if err := parse(f, args); err != nil {
		return err
	}
	k, n := 1, 1
	if share != "" {
		if count, err := fmt.Sscanf(share, "%d/%d", &k, &n); count != 2 || err != nil || fmt.Sprintf("%d/%d", k, n) != share || k < 1 || k > n {
			return usageError("--share: found %q; accepted: K/N with K from 1 to N, such as 3/20", share)
		}
	}
	p, err := loadSeason(f)
	if err != nil {
		return err
	}
	if n > 1 && p.Shares > 1 && n != p.Shares {
		return usageError("--share: found %q, and the season is planned for %d shares; accepted: K/%d, or no --share for all of the work: shares of different numbers leave takes out", share, p.Shares, p.Shares)
	}
	program, err := programDigest()
	if err != nil {
		return err
	}
	if err := p.Check(program); err != nil {
		return usageErrorUnless(err)
	}
	r := seasonRun{env: e, plan: p, k: k, n: n, settings: s, quiet: quiet, asJSON: asJSON, reported: map[string]bool{}}
	return r.run()
}

// seasonRun is one call of season run.
type seasonRun struct {
	env
	plan          *season.Plan
	k, n          int // share k of n
	settings      season.RunSettings
	quiet, asJSON bool
	reported      map[string]bool // takes that failed
	worst         int             // exit code
}

// run runs the share. All of a season as one programme also goes on by itself, from
// the analysis to the last render.
func (r *seasonRun) run() error {
	for {
		if err := r.pass(); err != nil {
			return err
		}
		if r.n > 1 {
			break
		}
		g, more, err := r.plan.Solve(r.ctx)
		switch {
		case err != nil:
			return seasonSolveError(err)
		case g != nil && !r.quiet && !r.asJSON:
			printProgramme(r.env, g)
		}
		if !more || g == nil {
			break
		}
	}
	if r.worst != exitDone {
		return &coded{r.worst, errReported}
	}
	return nil
}

// pass runs the share once.
func (r *seasonRun) pass() error {
	begun := time.Now()
	total := len(r.plan.Share(r.k, r.n))
	shown := newProgress(r.stderr, r.quiet, int64(total))
	count := map[season.State]int{}
	conversations := 0
	r.settings.Done = func(o season.Outcome) {
		if o.Conversation {
			conversations++
		} else {
			shown.add(1)
			count[o.State]++
		}
		if r.asJSON {
			r.printJSON(seasonOutcomeJSON(o))
		}
		if o.Err == nil || errors.Is(o.Err, context.Canceled) || r.reported[o.Output] {
			return
		}
		r.reported[o.Output] = true
		shown.clear()
		if o.Conversation {
			fmt.Fprintf(r.stderr, "%s: %s: %s\n", o.State, visible(o.Output, o.Take), visible(wave.ErrorText(o.Err), o.Take))
		} else {
			fmt.Fprintf(r.stderr, "%s: %s\n", o.State, visible(wave.ErrorText(namingTake(o.Path, o.Err)), o.Take))
		}
		var output *wave.OutputError
		var foreign *season.ForeignError
		switch {
		case errors.As(o.Err, &output):
			r.worst = max(r.worst, exitOutput)
		case errors.As(o.Err, &foreign), errors.Is(o.Err, wave.ErrNotAFile):
			r.worst = max(r.worst, exitUsage)
		default:
			r.worst = max(r.worst, exitInput)
		}
	}
	err := r.plan.Run(r.ctx, r.k, r.n, r.settings)
	shown.clear()
	if !r.quiet && !r.asJSON {
		fmt.Fprintf(r.stdout, "share %d of %d, %s: ", r.k, r.n, plural(total, "take"))
		if n := count[season.Analysed]; n > 0 {
			fmt.Fprintf(r.stdout, "%d analysed, ", n)
		}
		fmt.Fprintf(r.stdout, "%d done, %d were done, %d failed, %d stopped",
			count[season.Made], count[season.WasDone], count[season.Failed], count[season.Stopped])
		if conversations > 0 {
			fmt.Fprintf(r.stdout, ", %s", plural(conversations, "conversation"))
		}
		fmt.Fprintf(r.stdout, "; %.1f s\n", time.Since(begun).Seconds())
	}
	if errors.Is(err, context.Canceled) {
		return withCode(exitInterrupted, errors.New("interrupted: run it again to go on"))
	}
	return inputError(err)
}

// seasonSolveError is the error of a season as one programme without a gain: a target that
// cannot be met counts as a limit that is not met.
func seasonSolveError(err error) error {
	var refusal *tune.Refusal
	if errors.As(err, &refusal) {
		return withCode(exitLimit, fmt.Errorf("the programme cannot meet the target: %w; nothing is rendered", err))
	}
	return inputError(err)
}

// printProgramme prints the gain of a season as one programme.
func printProgramme(e env, g *season.Programme) {
	if g.Final {
		fmt.Fprintf(e.stdout, "one programme: %.3f dB of gain, %.2f LUFS measured (aimed at %.2f)", g.GainDB, *g.LoudnessLUFS, g.AimLUFS)
		if g.RangeLU != nil {
			fmt.Fprintf(e.stdout, ", range %.1f LU", *g.RangeLU)
		}
		fmt.Fprintln(e.stdout)
	} else {
		fmt.Fprintf(e.stdout, "one programme: %.3f dB of gain, %.2f LUFS forecast (aimed at %.2f)\n", g.GainDB, g.ForecastLUFS, g.AimLUFS)
	}
	for _, m := range g.Missed {
		fmt.Fprintf(e.stdout, "not met: %s\n", m)
	}
	for _, n := range g.Notes {
		fmt.Fprintf(e.stdout, "      %s\n", n)
	}
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
		object.Error = wave.ErrorText(o.Err)
	}
	if o.Receipt != nil {
		object.Readings = o.Receipt.Readings
	}
	return object
}
