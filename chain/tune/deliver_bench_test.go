package tune

import (
	"context"
	"math/rand/v2"
	"path/filepath"
	"runtime"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// BenchmarkDeliverAgainstProcess compares the processor time of a delivery (analysis, search,
// renders and measurements) with that of one run of the solved chain into a file, in turn, on
// ten minutes. x/process is relative to a run that measures before and after, like the command
// process; x/unmetered is relative to one that measures nothing. Speech takes one render,
// whether it is limited much, little or not at all; bursts beside a tone take two. The heap is
// reported too.
func BenchmarkDeliverAgainstProcess(b *testing.B) {
	speech, bursts := repeatedTake(b, 600), burstsAndTone(b, 600)
	c := parsed(b, withCompressor)
	for _, of := range []struct {
		name, in string
		lufs     float64
		renders  int
	}{
		{"limiting=none", speech, -23, 1}, {"limiting=little", speech, -16, 1}, {"limiting=much", speech, -13.5, 1},
		{"limiting=bursts", bursts, -16, 2},
	} {
		b.Run(of.name, func(b *testing.B) {
			var metered, unmetered dsptest.Pairs
			for b.Loop() {
				var d *Delivery
				deliver := dsptest.ProcessorSeconds(func() {
					var err error
					if d, err = Deliver(context.Background(), c, anything(of.lufs), []Job{{In: of.in, Out: filepath.Join(b.TempDir(), "out.wav")}}, Settings{Workers: 1, Output: chain.Output{Bits: 24}}); err != nil {
						b.Fatal(err)
					}
				})
				if d.Renders != of.renders {
					b.Fatalf("%d renders; want %d", d.Renders, of.renders)
				}
				metered.Add(deliver, dsptest.ProcessorSeconds(func() { process1(b, d.Solution.Chain(), of.in, true) }))
				unmetered.Add(deliver, dsptest.ProcessorSeconds(func() { process1(b, d.Solution.Chain(), of.in, false) }))
			}
			metered.Report(b, "x/process")
			unmetered.Report(b, "x/unmetered")
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			b.ReportMetric(float64(m.Sys)/(1<<20), "MiB")
		})
	}
}

// burstsAndTone writes bursts that are limited by many dB, and then a tone, for this many
// seconds.
func burstsAndTone(b *testing.B, seconds int) (path string) {
	rng := rand.New(rand.NewPCG(6, 1))
	x := make([]float64, seconds*48000)
	half := len(x) / 2
	for from := 0; from < half; from += 4800 {
		copy(x[from:], noise(rng, 0.7, 240))
	}
	copy(x[half:], sine(48000, 1000, 0.02, float64(seconds)/2))
	return written24(b, 48000, dsp.Block{x})
}

// repeatedTake writes the demo take repeatedly, for this many seconds.
func repeatedTake(b *testing.B, seconds int) (path string) {
	b.Helper()
	rate, x := talk(b, -25)
	long := make([]float64, 0, seconds*rate)
	for len(long) < seconds*rate {
		long = append(long, x[0]...)
	}
	return written24(b, rate, dsp.Block{long})
}

// process1 runs a chain into a file. With metered it measures before and after.
func process1(b *testing.B, c *chain.Chain, in string, metered bool) {
	b.Helper()
	r, err := wave.Open(in)
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	engine, err := c.Prepare(r.Format().Rate, r.Format().Channels)
	if err != nil {
		b.Fatal(err)
	}
	options := chain.Options{Workers: 1}
	var before, after *measure.ProgrammeMeter
	if metered {
		for _, m := range []**measure.ProgrammeMeter{&before, &after} {
			if *m, err = measure.NewProgrammeMeter(r.Format(), measure.AsIs); err != nil {
				b.Fatal(err)
			}
		}
		options.Input, options.Gains = before.Write, chain.NewGains(0)
	}
	w, _, err := engine.RenderTo(context.Background(), r, func(f wave.Format, set wave.Options) (*wave.Writer, wave.Sink, error) {
		w, err := wave.Create(filepath.Join(b.TempDir(), "out.wav"), f, set)
		if after == nil || err != nil {
			return w, w, err
		}
		return w, readSink{w, after}, nil
	}, chain.Output{Bits: 24}, options)
	if err != nil {
		b.Fatal(err)
	}
	if err := w.Commit(); err != nil {
		b.Fatal(err)
	}
}

// readSink measures the sound that it passes on.
type readSink struct {
	*wave.Writer
	meter *measure.ProgrammeMeter
}

func (s readSink) Write(b dsp.Block) error {
	s.meter.Write(b)
	return s.Writer.Write(b)
}
