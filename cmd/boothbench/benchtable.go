package main

import (
	"encoding/csv"
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/measure/bench"
)

const benchTableUsage = `boothbench bench table puts sheets side by side, one row for each reading. ▲ marks the
best of a row; a row whose devices differ by no more than the uncertainties is equal; one
that cannot be compared has the reason. Grades come from a rubric file of yours only.

Usage: boothbench bench table SHEET.json… [flags]

Examples:
  boothbench bench table device-a.json device-b.json
  boothbench bench table device-a.json device-b.json --by thd_plus_noise_db --csv devices.csv
`

func runBenchTable(e env, args []string) error {
	f := e.flags("bench table", benchTableUsage)
	by := f.String("by", "", "order the devices by the reading of this `name`, the best first")
	rubricFile := f.String("rubric", "", "grade readings by this TOML `file` of yours: reading, steps, why")
	csvFile := f.String("csv", "", "also write the table to this `file`")
	all := f.Bool("all", false, "print every reading: without it, long series of linearity_N_db take one line")
	replace := f.Bool("replace", false, "write over an existing file")
	asJSON := f.Bool("json", false, "print the table as one JSON object")
	if err := parse(f, args); err != nil {
		return err
	}
	sheets, err := e.loadSheets(f.Args(), *by)
	if err != nil {
		return err
	}
	rubric, err := loadRubric(*rubricFile)
	if err != nil {
		return err
	}
	rows := bench.Compare(sheets)
	if *csvFile != "" {
		var text strings.Builder
		if err := writeTableCSV(&text, sheets, rows, rubric); err != nil {
			return outputError(err)
		}
		if err := e.writeFile(*csvFile, *replace, append(f.Args(), *rubricFile), []byte(text.String())); err != nil {
			return err
		}
	}
	if *asJSON {
		e.printJSON(tableObject(sheets, rows, rubric))
		return nil
	}
	printSideBySide(e, sheets, rows, rubric, *all)
	return nil
}

// loadRubric reads a file of grades; without a name there is none.
func loadRubric(name string) (*bench.Rubric, error) {
	if name == "" {
		return nil, nil
	}
	r, err := bench.LoadRubric(name)
	if _, is := err.(*tomlfile.FileError); is {
		return nil, withCode(exitUsage, err)
	}
	return r, inputErrorUnless(err)
}

// loadSheets reads sheets, and puts them in the order of a reading where one is named.
func (e env) loadSheets(names []string, by string) ([]*bench.Sheet, error) {
	if len(names) == 0 {
		return nil, usageError("found no sheet; accepted: JSON files as boothbench bench run and read write them")
	}
	var sheets []*bench.Sheet
	for _, name := range names {
		s, err := bench.LoadSheet(name)
		if err != nil {
			return nil, inputError(err)
		}
		sheets = append(sheets, s)
	}
	named := map[string]int{}
	for _, s := range sheets {
		named[s.Device]++
	}
	for i, s := range sheets {
		if named[s.Device] > 1 { // their columns would have one head
			s.Device += " (" + filepath.Base(names[i]) + ")"
		}
	}
	if by == "" {
		return sheets, nil
	}
	sorted, row, why := bench.By(sheets, by)
	if why != "" {
		return nil, usageError("--by %s: %s", by, why)
	}
	if row == nil {
		var names []string
		for _, s := range sheets {
			for _, r := range s.Rows {
				names = append(names, r.Reading)
			}
		}
		return nil, usageError("--by: found %q%s; accepted: a reading that all sheets have", by, didYouMean(by, names))
	}
	fmt.Fprintf(e.stderr, "in the order of %s of %s, %s: %s\n", by, row.Path, row.Condition, row.Test)
	return sorted, nil
}

// mostInSeries is the largest number of levels of one test that a table prints: those of the
// test linearity, in steps of 5 dB.
const mostInSeries = 25

// isOfSeries reports whether a row is the gain at one level of a series.
func isOfSeries(c bench.Comparison) bool {
	return strings.HasPrefix(c.Reading, "linearity_") && !strings.HasPrefix(c.Reading, "linearity_worst_")
}

func printSideBySide(e env, sheets []*bench.Sheet, rows []bench.Comparison, rubric *bench.Rubric, all bool) {
	series := map[string]int{} // levels of one channel, by the head of a test
	headOf := func(c bench.Comparison) string { return c.Path + ", " + c.Condition + ": " + c.Test }
	for _, c := range rows {
		if isOfSeries(c) && (strings.HasSuffix(c.Reading, "_ch1") || !strings.Contains(c.Reading, "_ch")) {
			series[headOf(c)]++
		}
	}
	for _, d := range bench.Differs(sheets) {
		fmt.Fprintf(e.stderr, "%s\n", d)
	}
	width := 24 // of a value with its uncertainty
	for _, s := range sheets {
		width = max(width, utf8.RuneCountInString(s.Device))
	}
	head := ""
	for _, c := range rows {
		if !slices.ContainsFunc(c.Rows, func(r *bench.Row) bool { return r != nil && r.Value != nil }) {
			continue // the reasons are below
		}
		if now := headOf(c); now != head {
			head = now
			fmt.Fprintf(e.stdout, "%s\n  %-30s", head, "")
			for _, s := range sheets {
				fmt.Fprintf(e.stdout, " %*s", width, s.Device)
			}
			fmt.Fprintln(e.stdout)
		}
		if n := series[head]; !all && isOfSeries(c) && n != 0 && (n < 0 || n > mostInSeries) {
			if n > 0 {
				fmt.Fprintf(e.stdout, "  %-30s %d levels; --all prints them\n", "linearity_N_db", n)
			}
			series[head] = -1 // its line is printed
			continue
		}
		line := fmt.Sprintf("  %-30s", c.Reading)
		for d, r := range c.Rows {
			text := "-"
			if r != nil && r.Value != nil {
				text = r.Text()
				if c.Best[d] {
					text = "▲ " + text
				}
				if grade := rubric.Of(r); grade != "" {
					text += " [" + grade + "]"
				}
			}
			line += fmt.Sprintf(" %*s", width, text)
		}
		fmt.Fprintln(e.stdout, strings.TrimRight(line+"  "+c.Note(), " "))
	}
	for _, s := range sheets {
		if len(sheets) > 1 && len(s.NotMeasured()) > 0 {
			fmt.Fprintf(e.stdout, "%s:\n", s.Device)
		}
		printNotMeasured(e, s)
	}
	fmt.Fprintln(e.stdout, "▲ best of its row; equal: the differences are within the uncertainties")
	if rubric != nil {
		fmt.Fprintf(e.stdout, "[…] grades by %s, SHA-256 %s\n", rubric.Name, rubric.Digest)
		for _, g := range rubric.Grades {
			fmt.Fprintf(e.stdout, "  %s\n", g)
		}
	}
}

func writeTableCSV(w *strings.Builder, sheets []*bench.Sheet, rows []bench.Comparison, rubric *bench.Rubric) error {
	out := csv.NewWriter(w)
	head := []string{"path", "condition", "test", "reading", "unit", "reference", "weighting", "bandwidth"}
	for _, s := range sheets {
		head = append(head, s.Device, s.Device+" at most", s.Device+" uncertainty", s.Device+" best")
		if rubric != nil {
			head = append(head, s.Device+" grade")
		}
	}
	if err := out.Write(append(head, "comparison")); err != nil {
		return err
	}
	for _, c := range rows {
		fields := []string{c.Path, c.Condition, c.Test, c.Reading}
		var about *bench.Row
		for _, r := range c.Rows {
			if r != nil && about == nil {
				about = r
			}
		}
		fields = append(fields, about.Unit, about.Reference, about.Weighting, about.Bandwidth)
		for d, r := range c.Rows {
			if r == nil || r.Value == nil {
				fields = append(fields, "", "", "", "")
				if rubric != nil {
					fields = append(fields, "")
				}
				continue
			}
			fields = append(fields, strconv.FormatFloat(*r.Value, 'g', 10, 64), strconv.FormatBool(r.AtMost), strconv.FormatFloat(r.Uncertainty, 'g', 4, 64), strconv.FormatBool(c.Best[d]))
			if rubric != nil {
				fields = append(fields, rubric.Of(r))
			}
		}
		if err := out.Write(append(fields, c.Note())); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

func tableObject(sheets []*bench.Sheet, rows []bench.Comparison, rubric *bench.Rubric) any {
	type row struct {
		Path      string       `json:"path"`
		Condition string       `json:"condition"`
		Test      string       `json:"test"`
		Reading   string       `json:"reading"`
		Devices   []*bench.Row `json:"devices"`
		Best      []bool       `json:"best"`
		Grades    []string     `json:"grades,omitempty"`
		Equal     bool         `json:"equal"`
		Bounds    bool         `json:"only_upper_bounds"`
		Why       string       `json:"cannot_be_compared,omitempty"`
	}
	o := struct {
		SchemaVersion int      `json:"schema_version"`
		Command       string   `json:"command"`
		Devices       []string `json:"devices"`
		Differs       []string `json:"differs"`
		Rubric        string   `json:"rubric_sha256,omitempty"`
		Rows          []row    `json:"rows"`
	}{SchemaVersion: 1, Command: "bench table", Differs: bench.Differs(sheets)}
	for _, s := range sheets {
		o.Devices = append(o.Devices, s.Device)
	}
	if rubric != nil {
		o.Rubric = rubric.Digest
	}
	for _, c := range rows {
		var grades []string
		for _, r := range c.Rows {
			if rubric != nil {
				grades = append(grades, rubric.Of(r))
			}
		}
		o.Rows = append(o.Rows, row{c.Path, c.Condition, c.Test, c.Reading, c.Rows, c.Best, grades, c.Equal, c.Bounds, c.Why})
	}
	return o
}
