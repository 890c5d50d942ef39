package main

import (
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
)

// Of several long tasks each shows as it begins, and the line is cleared at the end.
func TestTaskShows(t *testing.T) {
	var shown strings.Builder
	p := progress{w: &shown}
	p.task("line, 48000 Hz", 0, 2)
	p.task("line, 96000 Hz", 1, 2)
	p.clear()
	if want := "\r\x1b[K1 of 2: line, 48000 Hz\r\x1b[K2 of 2: line, 96000 Hz\r\x1b[K"; shown.String() != want {
		t.Errorf("shown %q, want %q", shown.String(), want)
	}
	(&progress{}).task("silent", 0, 1)
}

// BenchmarkAgainstProcess compares the inspection of ten minutes of stereo speech, and
// the comparison with what the demo chain's five stages make of it (its limiter without
// verification), with that run of process: by processor time in turn.
func BenchmarkAgainstProcess(b *testing.B) {
	const demo = "../../testdata"
	dir := b.TempDir()
	in, out, chain := filepath.Join(dir, "in.wav"), filepath.Join(dir, "out.wav"), filepath.Join(dir, "chain.toml")
	minutes(b, 10, filepath.Join(demo, "harbour-street.wav"), in)
	text, err := os.ReadFile(filepath.Join(demo, "harbour-street.toml"))
	if err != nil {
		b.Fatal(err)
	}
	causal := strings.Replace(string(text), `kind = "limiter"`, "kind = \"limiter\"\nverify = false", 1)
	if err := os.WriteFile(chain, []byte(causal), 0o644); err != nil {
		b.Fatal(err)
	}
	seconds := func(args ...string) float64 {
		return dsptest.ProcessorSeconds(func() {
			if code := run(b.Context(), args, strings.NewReader(""), io.Discard, os.Stderr); code != 0 {
				b.Fatalf("%v: exit code %d", args, code)
			}
		})
	}
	process := []string{"process", in, "--chain", chain, "--out", out, "--quiet", "--replace"}
	seconds(process...)
	for _, other := range [][]string{{"inspect", in, "--quiet"}, {"compare", in, out, "--quiet"}} {
		b.Run(other[0], func(b *testing.B) {
			var pairs dsptest.Pairs
			for b.Loop() {
				pairs.Add(seconds(other...), seconds(process...))
			}
			pairs.Report(b, "x/process")
		})
	}
}

// BenchmarkReportAgainstParts compares the page of a take of ten minutes of stereo speech
// with the commands that give its figures: process, inspect, and meter of both files.
// 1.5 at most is the aim.
func BenchmarkReportAgainstParts(b *testing.B) {
	const demo = "../../testdata"
	dir := b.TempDir()
	in, out, page, chain := filepath.Join(dir, "in.wav"), filepath.Join(dir, "out.wav"), filepath.Join(dir, "page.html"), filepath.Join(demo, "harbour-street.toml")
	minutes(b, 10, filepath.Join(demo, "harbour-street.wav"), in)
	seconds := func(args ...string) float64 {
		return dsptest.ProcessorSeconds(func() {
			if code := run(b.Context(), args, strings.NewReader(""), io.Discard, os.Stderr); code != 0 {
				b.Fatalf("%v: exit code %d", args, code)
			}
		})
	}
	var pairs dsptest.Pairs
	for b.Loop() {
		parts := seconds("process", in, "--chain", chain, "--out", out, "--quiet", "--replace") +
			seconds("inspect", in, "--quiet") + seconds("meter", in, "--quiet") + seconds("meter", out, "--quiet")
		pairs.Add(seconds("report", "take", in, "--chain", chain, "--out", page, "--quiet", "--replace"), parts)
	}
	pairs.Report(b, "x/parts")
}

// minutes writes so many minutes of the demo take, again and again, in stereo: the second
// channel is softer and a little later.
func minutes(b *testing.B, count int, of, path string) {
	src, err := wave.Open(of)
	if err != nil {
		b.Fatal(err)
	}
	defer src.Close()
	take := dsp.NewBlock(1, int(src.Frames()))
	for n := 0; n < take.Frames(); {
		got, err := src.Read(dsp.Block{take[0][n:]})
		if n += got; err != nil || got == 0 {
			b.Fatal(err)
		}
	}
	f := src.Format()
	f.Channels = 2
	w, err := wave.Create(path, f, wave.Options{})
	if err != nil {
		b.Fatal(err)
	}
	const later = 11
	softer := make([]float64, len(take[0]))
	for n, v := range take[0] {
		softer[(n+later)%len(softer)] = v / 2
	}
	for left := 60 * count * f.Rate; left > 0; left -= len(softer) {
		n := min(left, len(softer))
		if err := w.Write(dsp.Block{take[0][:n], softer[:n]}); err != nil {
			b.Fatal(err)
		}
	}
	if err := w.Commit(); err != nil {
		b.Fatal(err)
	}
}
