package main

import (
	"fmt"
	"os"
	"strings"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/compare"
)

// countFolders is how many of the arguments are folders.
func countFolders(arguments []string) (count int) {
	for _, a := range arguments {
		if info, err := os.Stat(a); a != standardInput && err == nil && info.IsDir() {
			count++
		}
	}
	return count
}

// isOneFile reports whether two paths lead to one file or folder.
func isOneFile(a, b string) bool {
	one, err := os.Stat(a)
	if err != nil {
		return false
	}
	other, err := os.Stat(b)
	return err == nil && os.SameFile(one, other)
}

// comparedFolders are two folders whose files are compared by name.
type comparedFolders struct {
	a, b     string
	settings compare.Settings
	atMost   *float64
	jobs     int
	pairing  compare.Pairing
	results  []compare.Result
}

func (c *comparedFolders) run(e env, asJSON, quiet bool) error {
	if isOneFile(c.a, c.b) {
		return usageError("%s and %s are one folder, whose files cannot differ; accepted: two folders", c.a, c.b)
	}
	var sides [2][]compare.NamedFile
	for i, folder := range []string{c.a, c.b} {
		takes, err := inFolder(folder, "")
		if err != nil {
			return inputError(err)
		}
		for _, t := range takes {
			sides[i] = append(sides[i], compare.NamedFile{Name: t.below, Path: t.path})
		}
	}
	var err error
	if c.pairing, err = compare.PairByName(sides[0], sides[1]); err != nil {
		return inputError(err)
	}
	if len(c.pairing.Pairs) == 0 {
		return inputError(fmt.Errorf("%s and %s: found no two files of one name; accepted: files that end in %s and have the same path below their folders", c.a, c.b, strings.Join(soundNames, ", ")))
	}
	shown := newProgress(e.stderr, quiet, int64(len(c.pairing.Pairs)))
	c.results, err = compare.Pairs(e.ctx, c.pairing.Pairs, e.openToCompare, c.settings, c.jobs, func(compare.Result) { shown.add(1) })
	shown.clear()
	if err != nil {
		return inputError(err)
	}
	code := c.exitCode()
	if asJSON {
		e.printJSON(c.object(code))
	} else {
		c.print(e)
	}
	if code != 0 {
		return &coded{code, errReported}
	}
	return nil
}

// failed reports whether a pair exceeds the limit, if there is one.
func (c *comparedFolders) failed(r compare.Result) bool {
	if r.Err != nil {
		return false // reported as an error, not as a limit
	}
	j := judgeDifference(r.B, 0, r.Readings, c.atMost)
	return j != nil && j.Verdict != measure.Pass
}

// exitCode is that of files that cannot be compared, else that of the limit. A file that
// only one folder has fails the limit.
func (c *comparedFolders) exitCode() int {
	code := 0
	for _, r := range c.results {
		if r.Err != nil {
			return exitInput
		}
		if c.failed(r) {
			code = exitLimit
		}
	}
	if c.atMost != nil && len(c.pairing.OnlyA)+len(c.pairing.OnlyB) > 0 {
		code = exitLimit
	}
	return code
}

func (c *comparedFolders) print(e env) {
	width := 0
	for _, r := range c.results {
		width = max(width, min(40, len(r.Name)))
	}
	for _, r := range c.results {
		text := r.Summary
		if r.Err != nil {
			text = "cannot be compared: " + wave.ErrorText(r.Err)
		}
		if c.failed(r) {
			text = "fail: " + text
		}
		fmt.Fprintf(e.stdout, "%-*s  %s\n", width, r.Name, text)
	}
	fails := ""
	if c.atMost != nil {
		fails = "fail: "
	}
	for _, f := range c.pairing.OnlyA {
		fmt.Fprintf(e.stdout, "%-*s  %sonly in %s\n", width, f.Name, fails, c.a)
	}
	for _, f := range c.pairing.OnlyB {
		fmt.Fprintf(e.stdout, "%-*s  %sonly in %s\n", width, f.Name, fails, c.b)
	}
	fmt.Fprintf(e.stdout, "\n%s\n", c.summary())
}

// summary counts the pairs by result, and the files in one folder only.
func (c *comparedFolders) summary() string {
	unchanged, different, other, broken, failed := 0, 0, 0, 0, 0
	for _, r := range c.results {
		switch {
		case r.Err != nil:
			broken++
		case !r.Same:
			other++
		case r.Unchanged():
			unchanged++
		default:
			different++
		}
		if c.failed(r) {
			failed++
		}
	}
	text := fmt.Sprintf("%s: %d the same sample by sample, %d with differences, %d of different sounds", plural(len(c.results), "pair"), unchanged, different, other)
	if broken > 0 {
		text += fmt.Sprintf(", %d that cannot be compared", broken)
	}
	if n := len(c.pairing.OnlyA); n > 0 {
		text += fmt.Sprintf("; %s only in %s", plural(n, "file"), c.a)
	}
	if n := len(c.pairing.OnlyB); n > 0 {
		text += fmt.Sprintf("; %s only in %s", plural(n, "file"), c.b)
	}
	if c.atMost != nil {
		text += fmt.Sprintf("; limit of %g dBFS not met by %d", *c.atMost, failed)
		if alone := len(c.pairing.OnlyA) + len(c.pairing.OnlyB); alone > 0 {
			text += fmt.Sprintf(", and by %s without a partner", plural(alone, "file"))
		}
	}
	return text
}

func (c *comparedFolders) object(code int) any {
	type pairJSON struct {
		Name        string               `json:"name"`
		A           string               `json:"a"`
		B           string               `json:"b"`
		Error       string               `json:"error,omitempty"`
		Same        bool                 `json:"same_sound"`
		Fails       bool                 `json:"fails"`
		Summary     string               `json:"summary,omitempty"`
		Differences []compare.Difference `json:"differences"`
		Readings    measure.Readings     `json:"readings"`
	}
	o := struct {
		SchemaVersion int        `json:"schema_version"`
		Command       string     `json:"command"`
		ExitCode      int        `json:"exit_code"`
		A             string     `json:"a"`
		B             string     `json:"b"`
		Summary       string     `json:"summary"`
		Pairs         []pairJSON `json:"pairs"`
		OnlyA         []string   `json:"only_in_a"`
		OnlyB         []string   `json:"only_in_b"`
	}{SchemaVersion: 1, Command: "compare", ExitCode: code, A: c.a, B: c.b, Summary: c.summary(), Pairs: []pairJSON{}, OnlyA: []string{}, OnlyB: []string{}}
	for _, r := range c.results {
		p := pairJSON{Name: r.Name, A: r.A, B: r.B, Same: r.Same, Fails: c.failed(r), Summary: r.Summary, Differences: append([]compare.Difference{}, r.Differences...), Readings: r.Readings}
		if r.Err != nil {
			p.Error = wave.ErrorText(r.Err)
		}
		o.Pairs = append(o.Pairs, p)
	}
	for _, f := range c.pairing.OnlyA {
		o.OnlyA = append(o.OnlyA, f.Path)
	}
	for _, f := range c.pairing.OnlyB {
		o.OnlyB = append(o.OnlyB, f.Path)
	}
	return o
}
