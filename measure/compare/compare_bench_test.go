package compare

import (
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

// BenchmarkCompare compares ten minutes of stereo speech with a copy, and with one
// whose clock drifts, and reports how many times faster than real time it is (goal:
// 100 for an hour).
func BenchmarkCompare(b *testing.B) {
	const seconds = 600
	minute := dsptest.Speechlike(48000, 2, 60*48000, 1)
	long := dsp.NewBlock(2, 0)
	for i := range seconds / 60 { // each minute another level, so that none is another's copy
		for c := range long {
			for n, x := range minute[c] {
				long[c] = append(long[c], x*(0.5+0.05*float64((i*7+n/48000)%10)))
			}
		}
	}
	drifting := make(dsp.Block, 2)
	for c := range drifting {
		drifting[c] = timemap.Map{Speed: 1 - 25e-6}.Resample(long[c], 0, len(long[c]))
	}
	for name, other := range map[string]dsp.Block{"copy": long, "drifting": drifting} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				c, err := Sounds(b.Context(), opened(long), opened(other), Settings{})
				if err != nil || !c.Same {
					b.Fatal(err, c.Summary())
				}
			}
			b.ReportMetric(seconds*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
		})
	}
}
