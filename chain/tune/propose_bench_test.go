package tune

import (
	"context"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/take"
)

// BenchmarkProposeAgainstInspect compares the processor time of a proposal, with and without
// its run, with that of an inspection of the same take, in turn, on five minutes of the demo
// take.
func BenchmarkProposeAgainstInspect(b *testing.B) {
	in := repeatedTake(b, 300)
	open := func() (wave.Source, error) { return wave.Open(in) }
	for _, name := range []string{"predicted", "measured"} {
		b.Run(name, func(b *testing.B) {
			var pairs dsptest.Pairs
			for b.Loop() {
				propose := dsptest.ProcessorSeconds(func() {
					if _, err := Propose(context.Background(), []Take{{"take", open}}, ProposeSettings{PredictOnly: name == "predicted"}); err != nil {
						b.Fatal(err)
					}
				})
				pairs.Add(propose, dsptest.ProcessorSeconds(func() {
					if _, err := take.Inspect(context.Background(), open); err != nil {
						b.Fatal(err)
					}
				}))
			}
			pairs.Report(b, "x/inspect")
		})
	}
}
