package main

import (
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// rooms are the module's packages, from the top of the house down. Imports go down
// this list only.
var rooms = []string{
	"cmd/boothbench",
	"chain/season",
	"measure/report",
	"measure/listen",
	"chain/tune",
	"chain/receipt",
	"measure/expect",
	"measure/bench",
	"measure/proof",
	"measure/proof/model",
	"measure/conversation",
	"measure/compare",
	"measure/instrument",
	"measure/take",
	"chain",
	"chain/tomlfile",
	"measure/internal/measuretest",
	"measure/internal/browser",
	"measure",
	"measure/stimulus",
	"measure/picture",
	"measure/internal/testsound",
	"measure/internal/timemap",
	"measure/internal/spectra",
	"measure/internal/planes",
	"measure/internal/polarity",
	"measure/internal/weighting",
	"dsp/dsptest/takes",
	"dsp/dsptest",
	"dsp/dsptest/reference",
	"dsp/wave",
	"dsp/relay",
	"dsp",
	"dsp/vector",
}

// closed are arrows that go down and are forbidden all the same: what measures sees no
// chain, the engine measures nothing, and a picture knows no sound.
var closed = map[string][]string{
	"measure/compare":      {"chain", "chain/tomlfile"},
	"measure/conversation": {"chain", "chain/tomlfile"},
	"measure/instrument":   {"chain", "chain/tomlfile"},
	"measure/take":         {"chain", "chain/tomlfile"},
	"chain":                {"measure", "measure/stimulus", "measure/picture"},
	"chain/tomlfile":       {"measure", "measure/stimulus", "measure/picture"},
	"measure/picture":      rooms[slices.Index(rooms, "measure/picture")+1:],
	"dsp/relay":            {"dsp", "dsp/vector"},
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
		if strings.HasPrefix(from, "testdata/") {
			continue // programs that make the demo's files
		}
		floor := slices.Index(rooms, from)
		if floor < 0 {
			t.Errorf("package %s is not in the list of this test", from)
		}
		for _, path := range fields[1:] {
			to, ours := strings.CutPrefix(path, module)
			if ours && (slices.Index(rooms, to) <= floor || slices.Contains(closed[from], to)) {
				t.Errorf("%s imports %s; accepted: what is below it, and not %v", from, to, closed[from])
			}
		}
	}
}
