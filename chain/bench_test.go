package chain_test

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
)

// fiveStages is the chain that the speed figures are about: its limiter is the causal
// one, as that of the C program; what verification adds is in package dsp.
const fiveStages = `schema = 1
[[stage]]
kind = "highpass"
[[stage]]
kind = "expander"
threshold_dbfs = -46
[[stage]]
kind = "compressor"
threshold_dbfs = -24
makeup_db = 8
[[stage]]
kind = "equaliser"
[[stage.band]]
shape = "low-shelf"
centre_hz = 120
gain_db = -2
[[stage.band]]
shape = "bell"
centre_hz = 250
gain_db = -2
q = 1
[[stage.band]]
shape = "bell"
centre_hz = 3200
gain_db = 2.5
q = 0.8
[[stage.band]]
shape = "high-shelf"
centre_hz = 9000
gain_db = 1
[[stage]]
kind = "limiter"
verify = false
`

// demoTake is the take of testdata on a number of channels, each a little
// later and softer than the one before.
func demoTake(tb testing.TB, channels int) dsp.Block {
	tb.Helper()
	r, err := wave.Open("../testdata/harbour-street.wav")
	if err != nil {
		tb.Fatal(err)
	}
	defer r.Close()
	mono := dsp.NewBlock(1, int(r.Frames()))
	if n, err := r.Read(mono); n != mono.Frames() || err != nil && err != io.EOF {
		tb.Fatal(n, err)
	}
	b := dsp.NewBlock(channels, mono.Frames())
	for c, plane := range b {
		for n := range plane {
			plane[n] = mono[0][max(0, n-11*c)] / float64(1+c)
		}
	}
	return b
}

func programme(tb testing.TB, name string, channels int) dsp.Block {
	b := demoTake(tb, channels)
	rng := rand.New(rand.NewPCG(1, 2))
	for _, plane := range b {
		for n := range plane {
			switch name {
			case "silence": // after sound, so that there is something to decay
				if n > 48000 {
					plane[n] = 0
				}
			case "crushed": // dense noise at full scale
				plane[n] = max(-1, min(1, 4*(rng.Float64()-0.5)))
			}
		}
	}
	return b
}

// BenchmarkEngine runs the five stages in memory. The goals: speech in stereo at 700 times
// real time or better, silence no dearer than 0.7 of speech.
func BenchmarkEngine(b *testing.B) {
	for _, name := range []string{"speech", "silence", "crushed"} {
		for _, channels := range []int{1, 2} {
			for _, workers := range []int{1, 2} {
				b.Run(fmt.Sprintf("programme=%s/ch=%d/workers=%d", name, channels, workers), func(b *testing.B) {
					e := prepare(b, fiveStages, 48000, channels)
					sound := newSound(48000, programme(b, name, channels))
					seconds := 0.0 // of processor time: load does not change it
					for b.Loop() {
						seconds += dsptest.ProcessorSeconds(func() {
							sound.at = 0
							if _, err := e.Run(context.Background(), sound, discard{}, chain.Options{Workers: workers}); err != nil {
								b.Fatal(err)
							}
						})
					}
					frames := float64(b.N) * float64(sound.planes.Frames())
					b.ReportMetric(seconds*1e9/frames/float64(channels), "cpu-ns/sample")
					b.ReportMetric(frames/48000/b.Elapsed().Seconds(), "x-realtime") // on the clock: what a second core brings
				})
			}
		}
	}
}

// BenchmarkProcessAgainstC runs whole processes in turn on a two-minute 24-bit
// stereo file: the C program that only decodes and encodes (package wave's
// testdata/yardstick.c), and this engine with five stages on one goroutine and
// on two. It reports the engine's processor time against the C program's (goal:
// 3.5 or less), and how much sooner two goroutines are done (goal: 1.6 or
// more, with two processors free).
func BenchmarkProcessAgainstC(b *testing.B) {
	folder := b.TempDir()
	if ram, err := os.MkdirTemp("/dev/shm", "boothbench"); err == nil { // so that no disk is timed
		folder = ram
		b.Cleanup(func() { os.RemoveAll(ram) })
	}
	yardstick := filepath.Join(b.TempDir(), "yardstick")
	if out, err := exec.Command("gcc", "-O3", "-march=native", "-o", yardstick, "../dsp/wave/testdata/yardstick.c", "-lm").CombinedOutput(); err != nil {
		b.Skipf("needs gcc: %v %s", err, out)
	}
	in, out := filepath.Join(folder, "in.wav"), filepath.Join(folder, "out.wav")
	w, err := wave.Create(in, wave.Format{Rate: 48000, Channels: 2, Encoding: wave.Integer, Bits: 24}, wave.Options{})
	if err != nil {
		b.Fatal(err)
	}
	take := demoTake(b, 2)
	for range 9 {
		w.Write(take)
	}
	if err := w.Commit(); err != nil {
		b.Fatal(err)
	}
	run := func(cmd *exec.Cmd) (cpu, wall time.Duration) {
		start := time.Now()
		if out, err := cmd.CombinedOutput(); err != nil {
			b.Fatalf("%v\n%s", err, out)
		}
		return cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime(), time.Since(start)
	}
	engine := func(workers int) *exec.Cmd {
		cmd := exec.Command(os.Args[0], "-test.run", "^TestEngineProcess$")
		cmd.Env = append(os.Environ(), "BOOTHBENCH_RUN_IN="+in, "BOOTHBENCH_RUN_OUT="+out, "BOOTHBENCH_RUN_WORKERS="+strconv.Itoa(workers))
		return cmd
	}
	run(exec.Command(yardstick, in, out))
	run(engine(1))
	var pairs dsptest.Pairs
	var wall1, wall2 time.Duration
	for b.Loop() {
		c, _ := run(exec.Command(yardstick, in, out))
		one, w1 := run(engine(1))
		_, w2 := run(engine(2))
		pairs.Add(one.Seconds(), c.Seconds())
		wall1, wall2 = wall1+w1, wall2+w2
	}
	pairs.Report(b, "ours/C")
	b.ReportMetric(float64(wall1)/float64(wall2), "speed-up-2")
}

// TestEngineProcess is the Go side of BenchmarkProcessAgainstC, in a process of
// its own.
func TestEngineProcess(t *testing.T) {
	in := os.Getenv("BOOTHBENCH_RUN_IN")
	if in == "" {
		t.Skip("run by BenchmarkProcessAgainstC")
	}
	workers, _ := strconv.Atoi(os.Getenv("BOOTHBENCH_RUN_WORKERS"))
	r, err := wave.Open(in)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	w, err := wave.Create(os.Getenv("BOOTHBENCH_RUN_OUT"), r.Format(), wave.Options{Replace: true, Dither: wave.TPDF})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Abort()
	if _, err := prepare(t, fiveStages, r.Format().Rate, r.Format().Channels).Run(context.Background(), r, w, chain.Options{Workers: workers}); err != nil {
		t.Fatal(err)
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
}
