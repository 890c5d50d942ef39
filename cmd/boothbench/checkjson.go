package main

import (
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/expect"
)

// judgementJSON is a limit, the reading and the verdict.
type judgementJSON struct {
	Reading string          `json:"reading"`
	Verdict string          `json:"verdict"`
	Got     measure.Reading `json:"got"`
	Min     *float64        `json:"min"`
	Max     *float64        `json:"max"`
	Source  string          `json:"source,omitempty"`
	Do      string          `json:"do,omitempty"`
}

func judgementsObject(judgements []measure.Judgement) []judgementJSON {
	all := []judgementJSON{}
	for _, j := range judgements {
		all = append(all, judgementJSON{j.Reading, j.Verdict.String(), j.Got, j.Min, j.Max, j.Source, j.Do()})
	}
	return all
}

func checkedObject(c expect.Checked) any {
	o := struct {
		SchemaVersion int             `json:"schema_version"`
		Command       string          `json:"command"`
		ExitCode      int             `json:"exit_code"`
		Error         string          `json:"error,omitempty"`
		Subject       string          `json:"subject"`
		Warnings      []string        `json:"warnings,omitempty"`
		Changes       []string        `json:"changes,omitempty"`
		Kept          []string        `json:"artefacts,omitempty"`
		Limits        []judgementJSON `json:"limits"`
	}{SchemaVersion: 1, Command: "check", Subject: c.Subject, Changes: c.Changes, Kept: c.Kept, Limits: judgementsObject(c.Judgements)}
	for _, w := range c.Warnings {
		o.Warnings = append(o.Warnings, w.String())
	}
	o.Warnings = append(o.Warnings, underName(c.Subject, c.ChannelFaults)...)
	if c.Err != nil {
		o.ExitCode, o.Error = exitCode(inputErrorUnless(c.Err)), wave.ErrorText(c.Err)
	} else if !c.Passed() {
		o.ExitCode = exitLimit
	}
	return o
}
