package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
)

// A day of sound, and sixty-four channels of it, are measured in bounded memory: that
// of the whole process, as the system counts it.
func TestMemoryOfLongAndWideTakes(t *testing.T) {
	dsptest.Exhaustive(t)
	program, err := exec.LookPath("boothbench")
	if err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	// Levels are kept for every 25 ms, at any rate: a low one makes a small file.
	writeRepeated(t, filepath.Join(folder, "day.wav"), wave.Format{Rate: 1000, Channels: 1, Encoding: wave.Integer, Bits: 16}, 24*3600/20, 20)
	writeRepeated(t, filepath.Join(folder, "wide.wav"), wave.Format{Rate: 48000, Channels: 64, Encoding: wave.Integer, Bits: 16}, 5, 2)
	if err := os.WriteFile(filepath.Join(folder, "limiter.toml"), []byte(limiterChain), 0o666); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args   string
		mostMB int64
	}{
		{"inspect day.wav --quiet", 64},
		{"process wide.wav --chain limiter.toml --out limited.wav --quiet", 256},
		{"compare wide.wav limited.wav --quiet", 256},
		{"overshoot --chain limiter.toml --drive 6 wide.wav --quiet", 256},
	} {
		cmd := exec.Command(program, strings.Fields(c.args)...)
		cmd.Dir = folder
		if said, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%s: %v: %s", c.args, err, said)
		}
		used := cmd.ProcessState.SysUsage().(*syscall.Rusage).Maxrss >> 10 // kB (getrusage(2))
		t.Logf("%s: %d MB", c.args, used)
		if used > c.mostMB {
			t.Errorf("%s took %d MB, want at most %d", c.args, used, c.mostMB)
		}
	}
}

// writeRepeated writes so many seconds of speech-like sound so many times.
func writeRepeated(t *testing.T, path string, f wave.Format, times, seconds int) {
	t.Helper()
	w, err := wave.Create(path, f, wave.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Abort()
	// Made at 8 kHz, where it has all its parts; samples are taken as they are.
	mono := dsptest.Speechlike(8000, 1, f.Rate*seconds, 1)[0]
	sound := make(dsp.Block, f.Channels)
	for c := range sound {
		sound[c] = make([]float64, len(mono))
		for n, v := range mono {
			sound[c][n] = v * (1 - 0.005*float64(c))
		}
	}
	for range times {
		if err := w.Write(sound); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
}
