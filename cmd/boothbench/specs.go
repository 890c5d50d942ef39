package main

import (
	"fmt"
	"strings"

	"github.com/boothbench/boothbench/measure/expect"
)

const specsUsage = `boothbench specs lists the delivery specifications that a limits file can name:
limits, document, edition, and status: a standard, or a practice. Add your own as
[[spec]] tables in a limits file.

Usage: boothbench specs [flags]

Examples:
  boothbench specs
  boothbench specs --limits season.toml     (with those of the file)
`

func runSpecs(e env, args []string) error {
	f := e.flags("specs", specsUsage)
	limits := f.String("limits", "", "a limits `file`, whose specifications are listed too")
	asJSON := f.Bool("json", false, "print one JSON object")
	if err := parse(f, args); err != nil {
		return err
	}
	if f.NArg() > 0 {
		return usageError("found %q; specs takes no arguments", f.Arg(0))
	}
	specs := expect.Specs()
	if *limits != "" {
		l, err := e.loadLimits(*limits)
		if err != nil {
			return err
		}
		specs = l.Specs
	}
	if *asJSON {
		e.printJSON(specsObject(specs))
		return nil
	}
	for _, s := range specs {
		fmt.Fprint(e.stdout, specText(s))
	}
	return nil
}

// specText is a specification for people.
func specText(s expect.Spec) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s  %s\n", s.Name, s.For)
	document := s.Document
	if s.Edition != "" {
		document += ", " + s.Edition
	}
	fmt.Fprintf(&b, "  document: %s (%s)\n", document, s.Status)
	for _, l := range s.Limits {
		fmt.Fprintf(&b, "  %-22s %s\n", l.Reading, l)
	}
	if s.Note != "" {
		fmt.Fprintf(&b, "  note: %s\n", s.Note)
	}
	return b.String()
}

func specsObject(specs []expect.Spec) any {
	type limit struct {
		Reading string   `json:"reading"`
		Min     *float64 `json:"min"`
		Max     *float64 `json:"max"`
	}
	type spec struct {
		Name     string  `json:"name"`
		For      string  `json:"for"`
		Document string  `json:"document"`
		Edition  string  `json:"edition"`
		Status   string  `json:"status"`
		Note     string  `json:"note"`
		Limits   []limit `json:"limits"`
	}
	o := struct {
		SchemaVersion int    `json:"schema_version"`
		Command       string `json:"command"`
		ExitCode      int    `json:"exit_code"`
		Specs         []spec `json:"specs"`
	}{SchemaVersion: 1, Command: "specs"}
	for _, s := range specs {
		j := spec{Name: s.Name, For: s.For, Document: s.Document, Edition: s.Edition, Status: s.Status, Note: s.Note}
		for _, l := range s.Limits {
			j.Limits = append(j.Limits, limit{l.Reading, l.Min, l.Max})
		}
		o.Specs = append(o.Specs, j)
	}
	return o
}
