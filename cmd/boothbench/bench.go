package main

import (
	"fmt"
	"strings"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/measure/bench"
)

var benchUsage = `boothbench bench measures a device by a plan: the same tests for every device, a sheet
of every reading, and the sheets of several devices side by side.

  bench init    writes a commented starter plan
  bench tests   lists the tests that a plan can name
  bench plan    writes the files to play, and a cue sheet of what to connect and record
  bench read    reads the recordings (files or folders, in any order, joined or cut), and
                writes the sheet
  bench run     does both with an outside command in place of the device
  bench table   puts sheets side by side

Usage: boothbench bench init KIND PLAN.toml
       boothbench bench plan PLAN.toml --out-dir DIR
       boothbench bench read PLAN.toml RECORDING… --out SHEET.json
       boothbench bench run PLAN.toml --exec 'TOOL {in} {out}' --out SHEET.json
       boothbench bench table SHEET.json…

KIND is one of: ` + strings.Join(bench.Starters(), ", ") + `.

Examples:
  boothbench bench init interface plan.toml
  boothbench bench plan plan.toml --out-dir play
  boothbench bench read plan.toml recorded --out device-a.json
  boothbench bench table device-a.json device-b.json
  boothbench report devices device-a.json device-b.json --out devices.html
`

func runBench(e env, args []string) error {
	return runStep(e, "bench", benchUsage, []verbStep{
		{"init", runBenchInit}, {"tests", runBenchTests}, {"plan", runBenchPlan},
		{"read", runBenchRead}, {"run", runBenchRun}, {"table", runBenchTable},
	}, args)
}

var benchInitUsage = `boothbench bench init writes a plan to begin with, for a kind of device: edit it, then
run boothbench bench plan.

Usage: boothbench bench init KIND PLAN.toml [flags]

KIND is one of: ` + strings.Join(bench.Starters(), ", ") + `.

Examples:
  boothbench bench init interface plan.toml
`

func runBenchInit(e env, args []string) error {
	f := e.flags("bench init", benchInitUsage)
	replace := f.Bool("replace", false, "write over an existing file")
	if err := parse(f, args); err != nil {
		return err
	}
	kinds := bench.Starters()
	if f.NArg() != 2 {
		return usageError("found %s; accepted: a kind of plan (%s) and a file name, for example: boothbench bench init interface plan.toml", plural(f.NArg(), "argument"), strings.Join(kinds, ", "))
	}
	text := bench.Starter(f.Arg(0))
	if text == nil {
		return usageError("no plan %q%s; accepted: %s", f.Arg(0), didYouMean(f.Arg(0), kinds), strings.Join(kinds, ", "))
	}
	if err := e.writeFile(f.Arg(1), *replace, nil, text); err != nil {
		return err
	}
	fmt.Fprintf(e.stdout, "wrote %s; next: boothbench bench plan %[1]s --out-dir play\n", f.Arg(1))
	return nil
}

const benchTestsUsage = `boothbench bench tests lists the tests that a plan can name, with what each measures.

Usage: boothbench bench tests [flags]

Examples:
  boothbench bench tests
`

func runBenchTests(e env, args []string) error {
	f := e.flags("bench tests", benchTestsUsage)
	asJSON := f.Bool("json", false, "print one JSON object")
	if err := parse(f, args); err != nil {
		return err
	}
	type test struct {
		Name string `json:"name"`
		Help string `json:"help"`
	}
	var all []test
	for _, name := range bench.TestNames() {
		all = append(all, test{name, bench.TestHelp(name)})
	}
	if *asJSON {
		e.printJSON(struct {
			SchemaVersion int    `json:"schema_version"`
			Command       string `json:"command"`
			Tests         []test `json:"tests"`
		}{1, "bench tests", all})
		return nil
	}
	for _, t := range all {
		fmt.Fprintf(e.stdout, "  %-15s  %s\n", t.Name, t.Help)
	}
	return nil
}

// loadPlan reads a plan file. One that cannot be read or used is a wrong call.
func (e env) loadPlan(name string) (*bench.Plan, error) {
	p, err := bench.LoadPlan(name)
	if err != nil {
		if _, is := err.(*tomlfile.FileError); is {
			return nil, withCode(exitUsage, err)
		}
		return nil, inputError(err)
	}
	return p, nil
}

// writeFile writes a whole file, or nothing.
func (e env) writeFile(path string, replace bool, inputs []string, text []byte) error {
	out, err := e.createFile(path, replace, inputs)
	if err != nil {
		return err
	}
	defer out.Abort()
	if _, err := out.Write(text); err != nil {
		return outputError(err)
	}
	return outputError(out.Commit())
}
