package main

import (
	"errors"
	"fmt"
	"strings"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/measure"
)

const explainUsage = `boothbench explain says what a stage kind, a chain-file key, a unit or a reading
means: unit, range, default, source, and the trap to mind.

Usage: boothbench explain WORD …
       boothbench explain --reference     (the whole chain file, as Markdown)
       boothbench explain --readings      (the names of all readings)

Examples:
  boothbench explain compressor
  boothbench explain threshold_dbfs dbtp
`

func runExplain(e env, args []string) error {
	f := e.flags("explain", explainUsage)
	reference := f.Bool("reference", false, "print the reference of the chain file, as Markdown")
	readings := f.Bool("readings", false, "list the names of all readings; N is a number")
	if err := parse(f, args); err != nil {
		return err
	}
	if *reference {
		e.stdout.Write(chain.Reference())
		return nil
	}
	if *readings {
		for _, name := range measure.TermNames() {
			fmt.Fprintln(e.stdout, name)
		}
		return nil
	}
	if f.NArg() == 0 {
		return usageError("no word named; for example: boothbench explain limiter")
	}
	var unknown error
	told := 0
	for _, word := range f.Args() {
		text, known := chain.Explain(word)
		if term, isReading := measure.Explain(strings.ToLower(word)); isReading {
			if !known {
				text = ""
			}
			text, known = strings.TrimSpace(term.String()+"\n"+text), true
		}
		if !known {
			unknown = errors.Join(unknown, errors.New(strings.TrimSpace(text)))
			continue
		}
		if told++; told > 1 {
			fmt.Fprintln(e.stdout)
		}
		fmt.Fprintln(e.stdout, strings.TrimSpace(text))
	}
	if unknown != nil {
		return usageError("%w", unknown)
	}
	return nil
}
