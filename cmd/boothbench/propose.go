package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/tune"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

const proposeUsage = `boothbench propose writes a chain for a take. It measures the noise in the pauses, the
pitch of the voice and its peaks, and sets each value by a rule: you see the reading,
the rule, and how far to trust the value. Then it runs the chain on the take and states
what the chain does to the speech: how much of it is lowered, how many phrases are cut at
their start or end, how much is compressed. A stage for which the take gives too little
evidence is switched off, with the reason.

Usage: boothbench propose TAKE.wav … [flags]

Examples:
  boothbench propose take.wav --out voice.toml
  boothbench propose take.wav --room room.wav --out voice.toml
  boothbench propose day1.wav day2.wav --keep expander.range_db=8 --json

Several takes get one chain, if their noise lies within 3 dB. The chain does not aim at
a loudness: boothbench deliver finds the gain for that.

A few rules in short: the expander opens 6 dB over the noise or a little more, and
lowers the pauses by 12 dB, or less where soft speech would suffer; the compressor takes
3 dB in the median; the limiter is driven until it is predicted to take more than 1 dB in
0.5 % of the time of speech. The run states in how much of that time it does.
--predict leaves out the run. Its figures come from a model: against runs on 24 known
takes the compressor's were within 0.1 dB, the loudness within 0.1 LU and the noise in
the pauses within 1 dB.
`

func runPropose(e env, args []string) error {
	f := e.flags("propose", proposeUsage)
	out := f.String("out", "", "write the chain to this `file`")
	replace := f.Bool("replace", false, "write over an existing file")
	room := f.String("room", "", "a `file` with the sound of the empty room, about 10 s: for takes without pauses")
	keep := f.StringArray("keep", nil, "use this value, as `STAGE.KEY=VALUE`; values that depend on it follow (may be repeated)")
	predict := f.Bool("predict", false, "do not run the proposed chain; print what a model predicts")
	asJSON := f.Bool("json", false, "print one JSON object")
	quiet := f.Bool("quiet", false, "no progress")
	if err := parse(f, args); err != nil {
		return err
	}
	if f.NArg() == 0 {
		return usageError("no take named; for example: boothbench propose take.wav --out voice.toml")
	}
	kept := map[string]string{}
	for _, k := range *keep {
		key, value, ok := strings.Cut(k, "=")
		if !ok || !strings.Contains(key, ".") {
			return usageError("--keep: found %q; accepted: STAGE.KEY=VALUE, for example expander.threshold_dbfs=-45", k)
		}
		kept[key] = value
	}
	p := proposer{e: e, out: *out, replace: *replace, room: *room, keep: kept, predict: *predict, quiet: *quiet}
	err := p.run(f.Args())
	if *asJSON {
		e.printJSON(p.object(err))
		if err != nil {
			fmt.Fprintf(e.stderr, "boothbench propose: %s\n", wave.ErrorText(err))
			return &coded{exitCode(err), errReported}
		}
		return nil
	}
	if err == nil {
		p.print()
	}
	return err
}

// proposer is one call of propose.
type proposer struct {
	e              env
	out, room      string
	replace        bool
	predict, quiet bool
	keep           map[string]string
	formats        map[string]wave.Format
	*tune.ProposedChain
}

func (p *proposer) run(paths []string) error {
	p.formats = map[string]wave.Format{}
	frames := map[string]int64{}
	takeOf := func(path string) tune.Take {
		return tune.Take{Name: nameOf(path), Open: func() (wave.Source, error) {
			r, err := p.e.openAgain(path, nil)
			if err != nil {
				return nil, err
			}
			if _, seen := p.formats[path]; !seen {
				warn(p.e.stderr, warningsOf(r))
			}
			p.formats[path], frames[path] = r.Format(), r.Frames()
			return r, nil
		}}
	}
	s := tune.ProposeSettings{Keep: p.keep, PredictOnly: p.predict}
	if p.room != "" {
		room := takeOf(p.room)
		s.Room = &room
	}
	var takes []tune.Take
	for _, path := range paths {
		takes = append(takes, takeOf(path))
	}
	shown := newProgress(p.e.stderr, p.quiet, 0)
	step, last := "", int64(0)
	s.Progress = func(now string, k int, read int64) {
		if label := fmt.Sprintf("%s, %s", now, nameOf(paths[k])); label != step {
			step, last = label, 0
			total := frames[paths[k]]
			if now == "analysis" {
				total *= 2 // the take is read twice
			}
			shown.begin(label, total)
		}
		if read < last { // the take is read once more
			last = 0
		}
		shown.add(read - last)
		last = read
	}
	defer sparingMemory()()
	proposal, err := tune.Propose(p.e.ctx, takes, s)
	shown.clear()
	var no *tune.NoProposal
	var wrong *tune.KeepError
	switch {
	case errors.As(err, &wrong):
		return usageError("--keep: %v", err)
	case errors.As(err, &no):
		return inputError(err)
	case errors.Is(err, context.Canceled):
		return err
	case err != nil:
		return inputErrorUnless(err)
	}
	p.ProposedChain = proposal
	if p.out == "" {
		return nil
	}
	file, err := p.e.createFile(p.out, p.replace, paths)
	if err != nil {
		return err
	}
	defer file.Abort()
	if _, err := file.Write(proposal.Text); err != nil {
		return outputError(err)
	}
	if err := file.Commit(); err != nil {
		return outputError(err)
	}
	return nil
}

func (p *proposer) print() {
	w := p.e.stdout
	if p.out == "" {
		w.Write(p.Text)
		fmt.Fprintln(w)
	}
	stage := ""
	for _, c := range p.Choices {
		if c.Stage != stage {
			stage = c.Stage
			fmt.Fprintf(w, "%s\n", stage)
			if off, is := p.Off()[stage]; is {
				fmt.Fprintf(w, "  off: %s\n", off)
			}
		}
		if c.Reading == "" && c.Rule == "" || c.Confidence == tune.None {
			continue
		}
		fmt.Fprintf(w, "  %-22s %s\n", c.Key, strings.TrimSpace(c.Value+" "+c.Unit))
		if c.Reading != "" {
			fmt.Fprintf(w, "      reading     %s\n", c.Reading)
		}
		if c.Rule != "" {
			fmt.Fprintf(w, "      rule        %s\n", c.Rule)
		}
		fmt.Fprintf(w, "      confidence  %s\n", c.Confidence)
	}
	for _, note := range p.Notes {
		fmt.Fprintf(w, "note: %s\n", note)
	}
	for _, d := range p.Takes {
		how := "measured by running the chain"
		if !d.Measured {
			how = "predicted by a model: see --help for how well"
		}
		fmt.Fprintf(w, "%s: what the chain does, %s\n", d.Take, how)
		if d.Phrases > 0 {
			hidden := ""
			if d.Hidden > 0 {
				hidden = fmt.Sprintf("; speech softer than the noise is not seen: with it, it may be %.0f points more", 100*d.Hidden)
			}
			fmt.Fprintf(w, "  speech lowered by more than 1 dB: %.1f %% of %.1f s%s\n", 100*d.Lowered, d.SpeechSeconds, hidden)
			fmt.Fprintf(w, "  phrases cut at their end: %d, at their start: %d, of %d\n", d.EndsCut, d.StartsCut, d.Phrases)
			for _, c := range d.Worst {
				edge := "start"
				if c.End {
					edge = "end"
				}
				fmt.Fprintf(w, "    %s: %d ms of the %s of a phrase\n", measure.TimeCode(c.Frame, c.RateHz), c.CutMs, edge)
			}
		}
		for _, reduced := range []struct {
			stage       string
			median, p95 float64
			known       bool
		}{
			{"compressor", d.CompressorMedianDB, d.CompressorP95DB, true},
			{"de-esser", d.DeEsserMedianDB, d.DeEsserP95DB, d.Measured},
			{"limiter", d.LimiterMedianDB, d.LimiterP95DB, d.Measured},
		} {
			if p.runs(reduced.stage) && reduced.known {
				fmt.Fprintf(w, "  reduction by the %s: %.1f dB (median), %.1f dB (95th percentile)", reduced.stage, reduced.median, reduced.p95)
				if reduced.stage == "limiter" {
					fmt.Fprintf(w, "; more than 1 dB in %.1f %% of the time of speech", 100*d.LimiterOver)
				}
				fmt.Fprintln(w)
			}
		}
		was, _ := d.Before.Get("integrated_lufs")
		for _, r := range d.After {
			switch r.Name {
			case "integrated_lufs":
				if !r.Measurable() && r.Reason == was.Reason {
					fmt.Fprintf(w, "  loudness: %v\n", r.Reading)
					continue
				}
				fmt.Fprintf(w, "  loudness: %v, before the chain %v\n", r.Reading, was)
			case "true_peak_dbtp":
				fmt.Fprintf(w, "  true peak: %v\n", r.Reading)
			}
		}
		p.printFloor(d, was)
	}
	if p.out != "" {
		fmt.Fprintf(w, "wrote %s; next: boothbench process TAKE.wav --chain %s --out OUT.wav\n", p.out, p.out)
	}
}

// runs reports whether the chain has an enabled stage of a kind.
func (p *proposer) runs(kind string) bool {
	return slices.ContainsFunc(p.Chain.Stages, func(s chain.Stage) bool { return s.Kind == kind && s.Enabled })
}

// printFloor prints the noise in the pauses, and how far it lies below the loudness, since
// a chain that raises the loudness raises the noise too.
func (p *proposer) printFloor(d tune.Damage, was measure.Reading) {
	if math.IsInf(d.FloorAfter, 0) || math.IsInf(d.FloorBefore, 0) {
		return
	}
	what := "noise in the pauses"
	if d.Phrases == 0 { // without speech there are no pauses
		what = "steady sound, no speech over it"
	}
	fmt.Fprintf(p.e.stdout, "  %s: %.1f dBFS, before the chain %.1f dBFS", what, d.FloorAfter, d.FloorBefore)
	if is, _ := d.After.Get("integrated_lufs"); is.Measurable() && was.Measurable() && was.Value > d.FloorBefore+1 {
		fmt.Fprintf(p.e.stdout, "; %.1f dB below the loudness, before the chain %.1f dB", is.Value-d.FloorAfter, was.Value-d.FloorBefore)
	}
	fmt.Fprintln(p.e.stdout)
}

// object is the proposal as JSON.
func (p *proposer) object(failed error) any {
	type take struct {
		tune.Damage
		Readings    measure.Readings `json:"readings"`
		FloorBefore *float64         `json:"floor_before_dbfs"`
		FloorAfter  *float64         `json:"floor_after_dbfs"`
	}
	type off struct {
		Stage  string `json:"stage"`
		Reason string `json:"reason"`
	}
	o := struct {
		SchemaVersion int           `json:"schema_version"`
		Command       string        `json:"command"`
		ExitCode      int           `json:"exit_code"`
		Error         string        `json:"error,omitempty"`
		Chain         string        `json:"chain,omitempty"`
		Choices       []tune.Choice `json:"choices"`
		Off           []off         `json:"off"`
		Notes         []string      `json:"notes"`
		Takes         []take        `json:"takes"`
	}{SchemaVersion: 1, Command: "propose", Choices: []tune.Choice{}, Off: []off{}, Notes: []string{}, Takes: []take{}}
	if failed != nil {
		o.ExitCode, o.Error = exitCode(failed), wave.ErrorText(failed)
		return o
	}
	o.Chain, o.Choices, o.Notes = string(p.Text), p.Choices, append(o.Notes, p.Notes...)
	reasons := p.Off()
	for _, kind := range slices.Sorted(maps.Keys(reasons)) {
		o.Off = append(o.Off, off{kind, reasons[kind]})
	}
	finite := func(v float64) *float64 {
		if math.IsInf(v, 0) {
			return nil
		}
		return &v
	}
	for _, d := range p.Takes {
		t := take{Damage: d, Readings: d.After, FloorBefore: finite(d.FloorBefore), FloorAfter: finite(d.FloorAfter)}
		if t.Worst == nil {
			t.Worst = []tune.Cut{}
		}
		o.Takes = append(o.Takes, t)
	}
	return o
}
