package tune

import (
	"context"
	"path/filepath"
	"runtime"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
)

// BenchmarkDeliverAgainstProcess compares a delivery, with its analysis, its search
// and its measurement, with one run of the solved chain into a file: by processor
// time, one after the other, on ten minutes of speech. Reports the ratio for
// deliveries that limit nothing, a little and much, and the heap they take.
func BenchmarkDeliverAgainstProcess(b *testing.B) {
	in := repeatedTake(b, 600)
	c := parsed(b, withCompressor)
	for _, lufs := range []float64{-23, -16, -13.5} {
		b.Run(map[float64]string{-23: "limiting=none", -16: "limiting=little", -13.5: "limiting=much"}[lufs], func(b *testing.B) {
			var pairs dsptest.Pairs
			renders := 0
			for b.Loop() {
				var d *Delivery
				deliver := dsptest.ProcessorSeconds(func() {
					var err error
					if d, err = Deliver(context.Background(), c, anything(lufs), []Job{{In: in, Out: filepath.Join(b.TempDir(), "out.wav")}}, Settings{Workers: 1, Output: chain.Output{Bits: 24}}); err != nil {
						b.Fatal(err)
					}
				})
				renders += d.Renders
				pairs.Add(deliver, dsptest.ProcessorSeconds(func() { process1(b, d.Solution.Chain(), in) }))
			}
			pairs.Report(b, "x/process")
			b.ReportMetric(float64(renders)/float64(b.N), "renders")
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			b.ReportMetric(float64(m.Sys)/(1<<20), "MiB")
		})
	}
}

// repeatedTake writes the demo take over and over, for so many seconds.
func repeatedTake(b *testing.B, seconds int) (path string) {
	b.Helper()
	rate, x := talk(b, -25)
	long := make([]float64, 0, seconds*rate)
	for len(long) < seconds*rate {
		long = append(long, x[0]...)
	}
	return written24(b, rate, dsp.Block{long})
}

func process1(b *testing.B, c *chain.Chain, in string) {
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
	w, _, err := engine.Render(context.Background(), r, filepath.Join(b.TempDir(), "out.wav"), chain.Output{Bits: 24}, wave.Options{}, chain.Options{Workers: 1})
	if err != nil {
		b.Fatal(err)
	}
	if err := w.Commit(); err != nil {
		b.Fatal(err)
	}
}
