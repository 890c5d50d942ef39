//go:build unix

package chain_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// yardstickLag is by how many frames the C program's output lags the engine's.
const yardstickLag = 240 + 144 + 3

// BenchmarkEngineAgainstC runs the five stages in memory on stereo speech, in
// turn with the C program testdata/yardstick.c, which is tuned by hand for AVX2
// and FMA, and reports the ratio of the processor times (goal: 1.3 or less) and how far
// apart the outputs are.
func BenchmarkEngineAgainstC(b *testing.B) {
	folder := b.TempDir()
	program := filepath.Join(folder, "yardstick")
	if out, err := exec.Command("gcc", "-O3", "-march=native", "-ffast-math", "-o", program, "testdata/yardstick.c", "-lm").CombinedOutput(); err != nil {
		b.Skipf("needs gcc and a processor with AVX2 and FMA: %v %s", err, out)
	}
	const rate = 48000
	sections := append(dsp.ButterworthHighPass(2, 80, rate), dsp.ButterworthHighPass(2, 80, rate)...)
	q := 0.7071 // the chain file's default
	sections = append(sections, dsp.CookbookLowShelf(120, -2, q, rate), dsp.CookbookBell(250, -2, 1, rate), dsp.CookbookBell(3200, 2.5, 0.8, rate), dsp.CookbookHighShelf(9000, 1, q, rate))
	var text strings.Builder
	for _, s := range sections {
		fmt.Fprintf(&text, "%.17g %.17g %.17g %.17g %.17g\n", s.B0, s.B1, s.B2, s.A1, s.A2)
	}
	coefficients := filepath.Join(folder, "coefficients")
	if err := os.WriteFile(coefficients, []byte(text.String()), 0o666); err != nil {
		b.Fatal(err)
	}
	e := prepare(b, strings.Replace(fiveStages, `kind = "equaliser"`, "kind = \"equaliser\"\ndesign = \"cookbook\"", 1), rate, 2)
	speech := demoTake(b, 2)
	frames := speech.Frames() / 64 * 64
	var raw bytes.Buffer
	for c := range speech {
		speech[c] = speech[c][:frames]
		binary.Write(&raw, binary.LittleEndian, speech[c])
	}

	var theirOutput []float64
	theirs := func() float64 {
		cmd := exec.Command(program, coefficients, "5")
		cmd.Stdin = bytes.NewReader(raw.Bytes())
		var said bytes.Buffer
		cmd.Stderr = &said
		out, err := cmd.Output()
		if err != nil {
			b.Fatal(err, said.String())
		}
		theirOutput = planar(out)
		var seconds float64
		fmt.Sscan(said.String(), &seconds)
		return seconds
	}
	var output sink
	ours := func() float64 {
		best := math.Inf(1)
		for range 5 {
			sound := newSound(rate, speech)
			best = min(best, dsptest.ProcessorSeconds(func() {
				if _, err := e.Run(context.Background(), sound, discard{}, chain.Options{}); err != nil {
					b.Fatal(err)
				}
			}))
		}
		return best
	}
	if _, err := e.Process(context.Background(), newSound(rate, speech), &output); err != nil {
		b.Fatal(err)
	}
	var sumOurs, sumTheirs float64
	var pairs dsptest.Pairs
	for b.Loop() {
		t, o := theirs(), ours()
		pairs.Add(o, t)
		sumTheirs, sumOurs = sumTheirs+t, sumOurs+o
	}
	power := 0.0
	for c := range speech {
		for n := 0; n+yardstickLag < frames; n++ {
			d := output.planes[c][n] - theirOutput[c*frames+n+yardstickLag]
			power += d * d
		}
	}
	apart := 10 * math.Log10(power/float64(2*frames))
	// The engine's peak detector sees crests between samples, which the
	// yardstick's does not: tenths of a decibel of gain, now and then.
	if apart > -55 {
		b.Errorf("the outputs are %.1f dBFS apart: the yardstick does another job", apart)
	}
	samples := float64(2 * frames * b.N)
	pairs.Report(b, "ours/C")
	b.ReportMetric(sumOurs*1e9/samples, "ns/sample")
	b.ReportMetric(sumTheirs*1e9/samples, "C-ns/sample")
	b.ReportMetric(apart, "dBFS-apart")
}

func planar(raw []byte) []float64 {
	x := make([]float64, len(raw)/8)
	for i := range x {
		x[i] = math.Float64frombits(binary.LittleEndian.Uint64(raw[8*i:]))
	}
	return x
}
