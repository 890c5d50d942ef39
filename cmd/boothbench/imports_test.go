package main

import (
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// allowed says which of the module's packages each may import: arrows run one
// way, and a meter never sees a stage's chain.
var allowed = map[string][]string{
	"dsp/vector":       {},
	"dsp/relay":        {},
	"dsp":              {"dsp/vector"},
	"dsp/wave":         {"dsp"},
	"dsp/dsptest":      {"dsp"},
	"chain":            {"dsp", "dsp/relay", "dsp/wave", "chain/document"},
	"chain/document":   {},
	"measure":          {"dsp", "dsp/relay", "dsp/vector", "dsp/wave", "measure/stimulus"},
	"measure/stimulus": {"dsp"},
	"measure/expect":   {"dsp", "dsp/wave", "measure", "measure/stimulus", "measure/proof", "chain", "chain/document"},
	"measure/proof":    {"dsp", "dsp/wave", "measure", "measure/stimulus", "chain", "chain/document"},
	"cmd/boothbench":   {"dsp", "dsp/wave", "chain", "chain/document", "measure", "measure/stimulus", "measure/expect", "measure/proof"},
}

func TestImportsRunOneWay(t *testing.T) {
	const module = "github.com/boothbench/boothbench/"
	out, err := exec.Command("go", "list", "-f", "{{.ImportPath}}{{range .Imports}} {{.}}{{end}}", module+"...").Output()
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(out)) {
		fields := strings.Fields(line)
		from := strings.TrimPrefix(fields[0], module)
		may, known := allowed[from]
		if !known {
			t.Errorf("package %s is not in the table of this test", from)
		}
		for _, path := range fields[1:] {
			to, ours := strings.CutPrefix(path, module)
			if ours && !slices.Contains(may, to) {
				t.Errorf("%s imports %s; accepted: %v", from, to, may)
			}
		}
	}
}
