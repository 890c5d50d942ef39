package main

import (
	"fmt"

	"github.com/boothbench/boothbench/chain"
)

const initUsage = `boothbench init writes a starter chain: a voice chain with every key, its unit,
range and default in comments. Set the two thresholds to your take.

Usage: boothbench init FILE.toml [flags]
       boothbench init -            (prints it)

Examples:
  boothbench init voice.toml
  boothbench init - | less
`

func runInit(e env, args []string) error {
	f := e.flags("init", initUsage)
	replace := f.Bool("replace", false, "write over an existing file")
	if err := parse(f, args); err != nil {
		return err
	}
	if f.NArg() != 1 {
		return usageError("found %d file names; accepted: one, for example: boothbench init voice.toml", f.NArg())
	}
	path := f.Arg(0)
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
