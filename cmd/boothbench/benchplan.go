package main

import (
	"fmt"
	"path/filepath"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/stimulus"
)

const benchPlanUsage = `boothbench bench plan writes the sounds of a plan, one file for each condition, with
calibration.wav and cue-sheet.txt: what to connect and to set, which caution, what to
play and record, and how long it takes. Read the cautions first: the sounds are loud.

Usage: boothbench bench plan PLAN.toml --out-dir DIR [flags]

Examples:
  boothbench bench plan plan.toml --out-dir play
`

func runBenchPlan(e env, args []string) error {
	f := e.flags("bench plan", benchPlanUsage)
	folder := f.String("out-dir", "", "the `folder` for the files to play and the cue sheet")
	replace := f.Bool("replace", false, "write over existing files")
	if err := parse(f, args); err != nil {
		return err
	}
	switch {
	case f.NArg() != 1:
		return usageError("found %s; accepted: a plan, for example: boothbench bench plan plan.toml --out-dir play", plural(f.NArg(), "argument"))
	case *folder == "":
		return usageError("--out-dir is missing: the folder for the files to play")
	}
	p, err := e.loadPlan(f.Arg(0))
	if err != nil {
		return err
	}
	cues, err := p.CueSheet()
	if err != nil {
		return usageError("%s: %v", f.Arg(0), err)
	}
	if err := e.makeFolder(*folder); err != nil {
		return err
	}
	written := 0
	write := func(name string, rate int, sound dsp.Block) error {
		format := wave.Format{Rate: rate, Channels: len(sound), Encoding: wave.Integer, Bits: p.Bits}
		options := wave.Options{Replace: *replace, Frames: int64(sound.Frames())}
		if p.Bits < 32 {
			options.Dither, options.Seed = wave.TPDF, 1
		}
		w, err := e.createWAV(filepath.Join(*folder, name+".wav"), format, options)
		if err != nil {
			return err
		}
		defer w.Abort()
		if err := w.Write(sound); err != nil {
			return outputError(err)
		}
		written++
		return outputError(w.Commit())
	}
	for _, c := range p.Conditions() {
		sound, _, err := p.Sound(c)
		if err != nil {
			return usageError("%s: %v", f.Arg(0), err)
		}
		if sound == nil {
			continue // nothing is played
		}
		if err := write(c.FileName(), c.RateHz, sound); err != nil {
			return err
		}
	}
	line, err := stimulus.LineUpRP155().Make(p.Paths[0].RatesHz[0])
	if err != nil {
		return usageError("%s: %v", f.Arg(0), err)
	}
	if err := write("calibration", p.Paths[0].RatesHz[0], line); err != nil {
		return err
	}
	sheet := filepath.Join(*folder, "cue-sheet.txt")
	if err := e.writeFile(sheet, *replace, []string{f.Arg(0)}, []byte(cues)); err != nil {
		return err
	}
	fmt.Fprint(e.stderr, cautions)
	fmt.Fprintf(e.stdout, "wrote %s and %s; next: play and record as it says, then boothbench bench read %s RECORDING… --out sheet.json\n", plural(written, "file"), sheet, f.Arg(0))
	return nil
}
