package main

import (
	"fmt"
	"io"

	"github.com/boothbench/boothbench/chain/season"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

func runSeasonGather(e env, args []string) error {
	var verify, asJSON, replace, quiet bool
	var csvFile, pageFile string
	f := e.flags("season gather", seasonGatherUsage)
	f.BoolVar(&verify, "verify", false, "read every output and compare its digest")
	f.StringVar(&csvFile, "csv", "", "also write the table to this `file`, a row for each take")
	f.StringVar(&pageFile, "page", "", "also write a page with pictures to this HTML `file`")
	f.BoolVar(&replace, "replace", false, "write over existing --csv and --page files")
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
	g, more, solveErr := p.Solve(e.ctx)
	t, err := p.Gather(verify)
	if err != nil {
		return inputError(err)
	}
	if err := writeSeason(e, p, t, csvFile, pageFile, replace); err != nil {
		return err
	}
	code := exitDone
	if !t.Complete() || t.NotMet > 0 || solveErr != nil {
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
		if g != nil && solveErr == nil {
			printProgramme(e, g)
		}
	}
	if solveErr != nil {
		return seasonSolveError(solveErr)
	}
	if more && p.AsOneProgramme && !quiet {
		what := "analyse the takes that are not analysed yet"
		if g != nil {
			what = "render with this gain"
		}
		fmt.Fprintf(e.stderr, "run all shares again, to %s; then gather again\n", what)
	}
	if code != exitDone {
		return &coded{code, errReported}
	}
	return nil
}

// writeSeason writes the table and the page, as far as they are asked for.
func writeSeason(e env, p *season.Plan, t *season.Table, csvFile, pageFile string, replace bool) error {
	var outputs []wave.Output
	var files []*wave.File
	write := func(name string, write func(io.Writer) error) error {
		if name == "" {
			return nil
		}
		out, err := e.createFile(name, replace, nil)
		if err != nil {
			return err
		}
		outputs, files = append(outputs, out), append(files, out)
		return outputError(write(out))
	}
	err := write(csvFile, t.WriteCSV)
	if err == nil {
		err = write(pageFile, func(w io.Writer) error {
			_, err := w.Write(p.Page(t, version()).HTML())
			return err
		})
	}
	if err == nil {
		err = outputError(wave.CommitTogether(outputs...))
	}
	for _, f := range files {
		f.Abort() // does nothing after they were published
	}
	return err
}

// printSeason prints what is not as it should be, then the groups and the totals.
func printSeason(e env, t *season.Table) {
	seconds := 0.0
	for _, r := range t.Rows {
		if d := r.Readings["duration_s"]; d != nil {
			seconds += *d
		}
		output, note := visible(r.Output, r.Take), visible(r.Note, r.Take)
		if r.State == season.Made && note != "" {
			fmt.Fprintf(e.stdout, "%-8s  %s: %s\n", "warning", output, note)
		}
		switch {
		case r.State != season.Made:
			fmt.Fprintf(e.stdout, "%-8s  %s: %s\n", r.State, output, note)
		case len(r.NotMet) > 0:
			for _, l := range r.NotMet {
				fmt.Fprintf(e.stdout, "%-8s  %s\n", "limit", visible(l, r.Take))
			}
		case r.OutlierLU != nil:
			fmt.Fprintf(e.stdout, "outlier   %s: %+.1f LU from the median it is compared with\n", output, *r.OutlierLU)
		}
	}
	fmt.Fprintf(e.stdout, "%-30s %8s %12s %10s %8s\n", "folder", "compared", "median LUFS", "spread LU", "outliers")
	for _, g := range t.Groups {
		name := g.Name
		if name == "" {
			name = "all"
		}
		name = visible(name, season.Take{Output: name})
		middle, spread := "-", "-"
		if g.Takes > 0 {
			middle, spread = fmt.Sprintf("%.1f", g.MedianLUFS), fmt.Sprintf("%.2f", g.SpreadLU)
		}
		fmt.Fprintf(e.stdout, "%-30s %8d %12s %10s %8d\n", name, g.Takes, middle, spread, g.Outliers)
	}
	fmt.Fprintf(e.stdout, "%d of %s done, %s of sound", t.Counts[season.Made], plural(len(t.Rows), "take"), measure.TimeCode(int64(seconds*1000), 1000))
	for _, s := range []season.State{season.Failed, season.Analysed, season.Missing, season.Stale, season.Corrupt} {
		if n := t.Counts[s]; n > 0 {
			fmt.Fprintf(e.stdout, ", %d %s", n, s)
		}
	}
	if t.Limits > 0 {
		fmt.Fprintf(e.stdout, "; %s met, %d not met", plural(t.Limits-t.NotMet, "limit"), t.NotMet)
	}
	if t.TooShort > 0 {
		fmt.Fprintf(e.stdout, "; %d too short to judge", t.TooShort)
	}
	if t.Silent > 0 {
		fmt.Fprintf(e.stdout, "; %d without loudness", t.Silent)
	}
	fmt.Fprintln(e.stdout)
	for _, c := range t.Conversations {
		printConversation(e, c)
	}
}

// printConversation prints the readings of a conversation.
func printConversation(e env, c season.ConversationRow) {
	fmt.Fprintf(e.stdout, "\nconversation %s: %s", c.Name, c.State)
	if c.Note != "" {
		fmt.Fprintf(e.stdout, ": %s", c.Note)
	}
	fmt.Fprintln(e.stdout)
	if c.UnequalLengths != "" {
		fmt.Fprintf(e.stdout, "%s; check that none has stopped early\n", c.UnequalLengths)
	}
	if c.Found == nil {
		return
	}
	fmt.Fprint(e.stdout, c.Found.Text())
	if lufs := c.Found.LinkedLUFS; lufs != nil {
		fmt.Fprintf(e.stdout, "the outputs, linked: %.2f LUFS\n", *lufs)
	}
	if m := c.Found.Mix; m != nil {
		fmt.Fprintf(e.stdout, "mix %s: %s\n", m.Output, m.Text())
	}
}
