package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
)

// Pages and pictures make the command larger by less than 1 MB: by the linker's sizes of
// what their packages hold, with the texts that they embed.
func TestPagesWeighLittle(t *testing.T) {
	dsptest.Exhaustive(t)
	name := filepath.Join(t.TempDir(), "boothbench")
	if out, err := exec.Command("go", "build", "-o", name, ".").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	symbols, err := exec.Command("go", "tool", "nm", "-size", name).Output()
	if err != nil {
		t.Fatal(err)
	}
	total, found := 0, map[string]int{}
	for line := range strings.Lines(string(symbols)) {
		f := strings.Fields(line) // address, size, kind, name
		for _, room := range []string{"measure/report", "measure/listen", "measure/picture"} {
			if len(f) >= 4 && strings.Contains(strings.Join(f[3:], " "), "boothbench/"+room) {
				size, _ := strconv.Atoi(f[1])
				found[room] += size
				total += size
				break
			}
		}
	}
	for _, embedded := range []string{"report/page.css", "listen/page.css", "listen/page.js"} {
		info, err := os.Stat("../../measure/" + embedded)
		if err != nil {
			t.Fatal(err)
		}
		total += int(info.Size())
	}
	t.Logf("%d bytes: %v", total, found)
	if total >= 1_000_000 || len(found) != 3 || found["measure/picture"] < 10_000 {
		t.Errorf("%d bytes, %v; accepted: less than 1 MB, and all three packages found", total, found)
	}
}
