package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/expect"
	"github.com/boothbench/boothbench/measure/stimulus"
)

const explainUsage = `boothbench explain defines a stage kind, a chain-file key, a unit, a reading, a
delivery specification or a test signal: unit, range, default, source, and the
common mistake.

Usage: boothbench explain WORD …
       boothbench explain                 (lists its topics)
       boothbench explain --reference     (the whole chain file, as Markdown)
       boothbench explain --readings      (all readings: which command gives each, and
                                           which file can hold a limit for it)

Examples:
  boothbench explain compressor
  boothbench explain threshold_dbfs dbtp
`

func runExplain(e env, args []string) error {
	f := e.flags("explain", explainUsage)
	reference := f.Bool("reference", false, "print the reference of the chain file, as Markdown")
	readings := f.Bool("readings", false, "list all readings: which command gives each, and which file can hold a limit for it")
	asJSON := f.Bool("json", false, "with --readings: print one JSON object")
	if err := parse(f, args); err != nil {
		return err
	}
	if *reference {
		e.stdout.Write(chain.Reference())
		return nil
	}
	switch {
	case *asJSON && !*readings:
		return usageError("found --json without --readings; accepted: both")
	case *asJSON:
		o := struct {
			SchemaVersion int            `json:"schema_version"`
			Command       string         `json:"command"`
			Readings      []availability `json:"readings"`
		}{SchemaVersion: 1, Command: "explain"}
		for _, name := range measure.ReadingNames() {
			o.Readings = append(o.Readings, availabilityOf(name))
		}
		e.printJSON(o)
		return nil
	case *readings:
		listReadings(e.stdout)
		return nil
	}
	if f.NArg() == 0 {
		e.listTopics()
		return nil
	}
	var unknown error
	explained := 0
	for _, word := range f.Args() {
		text := explanation(word)
		if text == "" {
			unknown = errors.Join(unknown, unknownWord(word))
			continue
		}
		if explained++; explained > 1 {
			fmt.Fprintln(e.stdout)
		}
		fmt.Fprintln(e.stdout, text)
	}
	if unknown != nil {
		return usageError("%w", unknown)
	}
	return nil
}

// explanation is the text that explains a word, "" for an unknown one.
func explanation(word string) string {
	var parts []string
	if term, isReading := measure.Explain(strings.ToLower(word)); isReading {
		text := term.String()
		if name, ok := writtenName(strings.ToLower(word)); ok {
			text += availabilityOf(name).String()
		}
		parts = append(parts, text)
	}
	if text, known := chain.Explain(word); known {
		parts = append(parts, text)
	}
	name := strings.ToLower(word)
	if s, err := expect.SpecNamed(name); err == nil {
		parts = append(parts, specText(s))
	}
	if kind, known := stimulus.Named(name); known {
		parts = append(parts, fmt.Sprintf("%s: a test signal: %s\n  its settings: boothbench tone %[1]s --help", kind.Name(), kind.Help))
	}
	if meant, ok := elsewhere[name]; ok {
		name = meant
	}
	for _, c := range commands() {
		if c.name == name {
			parts = append(parts, fmt.Sprintf("boothbench %s: %s\n  more: boothbench %[1]s --help", c.name, c.summary))
		}
	}
	for i := range parts {
		parts[i] = strings.TrimSpace(parts[i])
	}
	return strings.Join(parts, "\n\n")
}

// elsewhere maps common words to the command that does it here.
var elsewhere = map[string]string{
	"normalize": "deliver", "normalise": "deliver", "normalization": "deliver", "normalisation": "deliver",
	"measure": "meter", "render": "process", "apply": "process", "diff": "compare", "verify": "check", "test": "check",
}

// unknownWord is the error for an unknown word, with the nearest known one.
func unknownWord(word string) error {
	var known []string
	for _, k := range chain.Kinds() {
		known = append(known, k.Name)
		for _, f := range append(slices.Clone(k.Fields), k.Bands...) {
			known = append(known, f.Key)
		}
	}
	for _, s := range expect.Specs() {
		known = append(known, s.Name)
	}
	for _, k := range stimulus.Kinds() {
		known = append(known, k.Name())
	}
	known = append(known, measure.ReadingNames()...)
	for _, c := range commands() {
		known = append(known, c.name)
	}
	return fmt.Errorf("%q is not known%s (boothbench explain lists the topics)", word, didYouMean(strings.ToLower(word), known))
}

// listTopics lists what can be explained.
func (e env) listTopics() {
	var kinds, keys, specs, signals, names []string
	for _, k := range chain.Kinds() {
		kinds = append(kinds, k.Name)
		for _, f := range append(slices.Clone(k.Fields), k.Bands...) {
			if !slices.Contains(keys, f.Key) {
				keys = append(keys, f.Key)
			}
		}
	}
	for _, s := range expect.Specs() {
		specs = append(specs, s.Name)
	}
	for _, k := range stimulus.Kinds() {
		signals = append(signals, k.Name())
	}
	for _, c := range commands() {
		names = append(names, c.name)
	}
	e.wrapped("stages", kinds)
	e.wrapped("keys of a chain file", keys)
	e.wrapped("units", []string{"dbfs", "dbtp", "lufs", "lu", "dbu", "dbv"})
	e.wrapped("readings", []string{"boothbench explain --readings lists them"})
	e.wrapped("specifications", specs)
	e.wrapped("test signals", signals)
	e.wrapped("commands", names)
}

// wrapped prints words under a heading, as wide as help is.
func (e env) wrapped(heading string, words []string) {
	fmt.Fprintf(e.stdout, "%s\n", heading)
	line := " "
	for i, word := range words {
		if i < len(words)-1 {
			word += ","
		}
		if len(line)+1+len(word) > e.helpColumns() {
			fmt.Fprintln(e.stdout, line)
			line = " "
		}
		line += " " + word
	}
	fmt.Fprintln(e.stdout, line)
}
