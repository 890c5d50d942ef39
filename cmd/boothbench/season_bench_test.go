package main

import (
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
)

// BenchmarkSeasonAgainstProcess is what receipt, digests and the manifest add to process
// on a take of 60 s, as a ratio of processor times in turn: to process as it is, which
// measures the sound before and after, and to process --unmetered, which does not. A
// quarter more than the first is accepted.
func BenchmarkSeasonAgainstProcess(b *testing.B) {
	dir := b.TempDir()
	take, chain := filepath.Join(dir, "takes", "take.wav"), "../../testdata/harbour-street.toml"
	if err := os.Mkdir(filepath.Dir(take), 0o777); err != nil {
		b.Fatal(err)
	}
	w, err := wave.Create(take, wave.Format{Rate: 48000, Channels: 1, Encoding: wave.Integer, Bits: 24}, wave.Options{})
	if err == nil {
		err = w.Write(dsptest.Speechlike(48000, 1, 48000*60, 1))
	}
	if err == nil {
		err = w.Commit()
	}
	if err != nil {
		b.Fatal(err)
	}
	seconds := func(args ...string) float64 {
		return dsptest.ProcessorSeconds(func() {
			if code := run(b.Context(), args, strings.NewReader(""), io.Discard, os.Stderr); code != 0 {
				b.Fatalf("%v: exit code %d", args, code)
			}
		})
	}
	season := func() float64 {
		to := filepath.Join(b.TempDir(), "season")
		seconds("season", "plan", filepath.Dir(take), "--chain", chain, "--out-dir", to, "--quiet")
		return seconds("season", "run", to, "--quiet")
	}
	process := []string{"process", take, "--chain", chain, "--out", filepath.Join(dir, "out.wav"), "--replace"}
	for _, other := range []struct {
		name string
		args []string
	}{{"metered", process}, {"unmetered", append(process, "--unmetered")}} {
		b.Run(other.name, func(b *testing.B) {
			var pairs dsptest.Pairs
			for b.Loop() {
				pairs.Add(season(), seconds(other.args...))
			}
			pairs.Report(b, "x/process")
		})
	}
}
