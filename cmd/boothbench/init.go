package main

import (
	"fmt"

	"github.com/boothbench/boothbench/chain"
)

const initUsage = `boothbench init writes a starter chain: a voice chain with every key, its unit,
range and default in comments. Set the two thresholds to suit your take, or let --take
derive all values from it, as boothbench propose does.

Usage: boothbench init FILE.toml [flags]
       boothbench init -            (prints it)

Examples:
  boothbench init voice.toml
  boothbench init - | less
  boothbench init voice.toml --take take.wav
`

func runInit(e env, args []string) error {
	f := e.flags("init", initUsage)
	replace := f.Bool("replace", false, "write over an existing file")
	take := f.String("take", "", "derive the values from the take in this `file`")
	if err := parse(f, args); err != nil {
		return err
	}
	if f.NArg() != 1 {
		return usageError("found %d file names; accepted: one, for example: boothbench init voice.toml", f.NArg())
	}
	path := f.Arg(0)
	if *take != "" {
		return e.initFromTake(path, *take, *replace)
	}
	if path == "-" {
		e.stdout.Write(chain.Starter())
		return nil
	}
	file, err := e.createFile(path, *replace, nil)
	if err != nil {
		return err
	}
	defer file.Abort()
	if _, err := file.Write(chain.Starter()); err != nil {
		return outputError(err)
	}
	if err := file.Commit(); err != nil {
		return outputError(err)
	}
	fmt.Fprintf(e.stdout, "wrote %s; next: boothbench process TAKE.wav --chain %s --out OUT.wav\n", path, path)
	return nil
}

// initFromTake writes the chain that propose would.
func (e env) initFromTake(path, take string, replace bool) error {
	p := proposer{e: e, out: path, replace: replace}
	if path == standardInput {
		p.out = ""
	}
	if err := p.run([]string{take}); err != nil {
		return err
	}
	if path == standardInput {
		e.stdout.Write(p.Text)
		return nil
	}
	p.print()
	return nil
}
