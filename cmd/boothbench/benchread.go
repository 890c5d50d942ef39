package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/bench"
	"github.com/boothbench/boothbench/measure/instrument"
)

const benchReadUsage = `boothbench bench read assigns recordings to the tests of a plan and writes the sheet of
all readings. They may come in any order, joined or cut, as files or folders: each
stimulus carries a code of its condition. Only recordings of a terminated input are
recognised by their file names. What is void or missing is listed with what to do.
Exit code 1: something is void or missing, or a claim of the plan failed or is undecided.
Where no recording is recognised, no sheet is written.

Usage: boothbench bench read PLAN.toml RECORDING… --out SHEET.json [flags]

Examples:
  boothbench bench read plan.toml recorded --out device-a.json
`

func runBenchRead(e env, args []string) error {
	f := e.flags("bench read", benchReadUsage)
	s := addSheetFlags(f)
	device := f.String("device", "", "the device's `name`, in place of the plan's")
	if err := parse(f, args); err != nil {
		return err
	}
	if f.NArg() < 2 {
		return usageError("found %s; accepted: a plan and its recordings, for example: boothbench bench read plan.toml recorded --out sheet.json", plural(f.NArg(), "argument"))
	}
	p, err := e.loadPlan(f.Arg(0))
	if err != nil {
		return err
	}
	if *device != "" {
		p.Device = *device
	}
	c, err := bench.NewCollector(p)
	if err != nil {
		return usageError("%s: %v", f.Arg(0), err)
	}
	recordings, err := e.takesOf(f.Args()[1:], "")
	if err != nil {
		return err
	}
	shown := newProgress(e.stderr, s.asJSON || s.quiet, int64(len(recordings)))
	for _, recording := range recordings {
		if err := e.ctx.Err(); err != nil {
			return err
		}
		if err := c.AddFile(recording.path); err != nil {
			return inputErrorUnless(err)
		}
		shown.add(1)
	}
	shown.clear()
	return s.finish(e, c.Sheet(), f.Args())
}

const benchRunUsage = `boothbench bench run plays every stimulus of a plan through an outside command, which
stands in for the device, and writes the sheet of what came back. The command is run once
for each stimulus. In it, {in} is the WAV file to read and {out} the one to write;
{gain_db}, {load_ohm}, {rate_hz} and {buffer_frames} stand for the condition's values.

Usage: boothbench bench run PLAN.toml --exec 'TOOL {in} {out}' --out SHEET.json [flags]

Examples:
  boothbench bench run plan.toml --exec 'boothbench process {in} --chain voice.toml --out {out}' --out sheet.json
  boothbench bench run plan.toml --exec 'preamp --gain {gain_db} --rate {rate_hz} {in} {out}' --out sheet.json
`

func runBenchRun(e env, args []string) error {
	f := e.flags("bench run", benchRunUsage)
	var command commandFlags
	command.add(f)
	s := addSheetFlags(f)
	device := f.String("device", "", "the device's `name`, in place of the plan's")
	if err := parse(f, args); err != nil {
		return err
	}
	switch {
	case f.NArg() != 1:
		return usageError("found %s; accepted: a plan, for example: boothbench bench run plan.toml --exec 'TOOL {in} {out}' --out sheet.json", plural(f.NArg(), "argument"))
	case command.exec == "":
		return usageError("--exec is missing: the command that stands in for the device, with {in} and {out}; {gain_db}, {load_ohm}, {rate_hz} and {buffer_frames} stand for the condition's")
	}
	if err := command.check(); err != nil {
		return err
	}
	p, err := e.loadPlan(f.Arg(0))
	if err != nil {
		return err
	}
	if *device != "" {
		p.Device = *device
	}
	shown := newProgress(e.stderr, s.asJSON || s.quiet, 0)
	sheet, err := bench.Run(e.ctx, p, func(c bench.Condition) (instrument.Device, error) {
		gain := 0.0
		if c.GainDB != nil {
			gain = *c.GainDB
		}
		one := command
		one.exec = strings.NewReplacer("{gain_db}", fmt.Sprint(gain), "{load_ohm}", fmt.Sprint(c.LoadOhm), "{rate_hz}", fmt.Sprint(c.RateHz), "{buffer_frames}", fmt.Sprint(c.BufferFrames)).Replace(command.exec)
		return one.device(e)
	}, func(condition string, i, of int) { shown.task(condition, i, of) })
	shown.clear()
	if err != nil {
		return inputErrorUnless(err)
	}
	return s.finish(e, sheet, f.Args())
}

// sheetFlags say where a sheet goes, and what is printed of it.
type sheetFlags struct {
	out                         string
	replace, asJSON, all, quiet bool
}

func addSheetFlags(f *pflag.FlagSet) *sheetFlags {
	s := &sheetFlags{}
	f.StringVar(&s.out, "out", "", "the sheet, a JSON `file`")
	f.BoolVar(&s.replace, "replace", false, "write over an existing sheet")
	f.BoolVar(&s.all, "all", false, "print every reading, and not only a summary")
	f.BoolVar(&s.asJSON, "json", false, "print the sheet as one JSON object")
	f.BoolVar(&s.quiet, "quiet", false, "no progress and no summary; claims that did not pass, findings, and what is void or missing only")
	return s
}

// finish writes the sheet and prints what is in it. It ends with 1 where something is
// missing or void, or a claim failed.
func (s *sheetFlags) finish(e env, sheet *bench.Sheet, inputs []string) error {
	empty := len(sheet.Rows) == 0
	if s.out != "" && !empty {
		var text bytes.Buffer
		lines := json.NewEncoder(&text)
		lines.SetEscapeHTML(false)
		lines.SetIndent("", " ")
		if err := lines.Encode(sheet); err != nil {
			return err
		}
		if err := e.writeFile(s.out, s.replace, inputs, text.Bytes()); err != nil {
			return err
		}
	}
	failed := len(sheet.Missing)+len(sheet.Void) > 0
	for _, c := range sheet.Claims {
		failed = failed || c.Verdict != measure.Pass.String()
	}
	if s.asJSON {
		e.printJSON(sheet)
	} else {
		s.print(e, sheet)
		switch {
		case empty:
			fmt.Fprintln(e.stdout, "no recording gave a reading, so no sheet is written")
		case s.out != "" && !s.quiet:
			fmt.Fprintf(e.stdout, "wrote %s; next: boothbench bench table %[1]s prints every reading, and with OTHER.json puts devices side by side\n", s.out)
		}
	}
	if failed {
		return &coded{exitLimit, errReported}
	}
	return nil
}

func (s *sheetFlags) print(e env, sheet *bench.Sheet) {
	if !s.quiet {
		fmt.Fprintf(e.stdout, "%s  by %s\n", sheet.Device, sheet.Plan)
	}
	if s.all {
		printSheetReadings(e, sheet)
	}
	for _, c := range sheet.Claims {
		if s.quiet && c.Verdict == measure.Pass.String() {
			continue
		}
		of := slices.DeleteFunc([]string{c.Path, c.Condition, c.Test}, func(part string) bool { return part == "" })
		fmt.Fprintf(e.stdout, "%s  %s: %s\n", c.Verdict, strings.Join(of, ", "), c.Sentence)
	}
	for _, part := range []struct {
		name string
		all  []bench.Lack
	}{{"finding", sheet.Findings}, {"void", sheet.Void}, {"missing", sheet.Missing}} {
		for _, l := range part.all {
			fmt.Fprintf(e.stdout, "%s: %s: %s", part.name, l.Of, l.What)
			if l.Do != "" {
				fmt.Fprintf(e.stdout, "; %s", l.Do)
			}
			fmt.Fprintln(e.stdout)
		}
	}
	if s.quiet {
		return
	}
	printNotMeasured(e, sheet)
	fmt.Fprintln(e.stdout, sheet.Summary())
}

// printSheetReadings prints every reading that has a value, or a bound in place of one.
func printSheetReadings(e env, sheet *bench.Sheet) {
	head := ""
	for _, r := range sheet.Rows {
		text := r.String()
		if r.Value == nil {
			if text = r.Reason; !strings.HasPrefix(text, "above ") && !strings.HasPrefix(text, "under ") {
				continue // printNotMeasured has it
			}
		}
		if now := r.Path + ", " + r.Condition + ": " + r.Test; now != head {
			head = now
			fmt.Fprintf(e.stdout, "%s\n", head)
		}
		fmt.Fprintf(e.stdout, "  %-32s %s\n", r.Reading, text)
	}
}

// printNotMeasured prints why readings have no value.
func printNotMeasured(e env, sheet *bench.Sheet) {
	for _, line := range sheet.NotMeasured() {
		fmt.Fprintf(e.stdout, "not measured: %s\n", line)
	}
}
