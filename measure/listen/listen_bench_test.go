package listen

import (
	"context"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
)

// BenchmarkPage makes a page of two versions of 60 s, one later and quieter, and states
// the processor time of a page. The aim is at most 2 s.
func BenchmarkPage(b *testing.B) {
	const seconds = 60
	a := voice(seconds)
	versions := []Source{source("a", a), source("b", later(a, 895, 0.5))}
	used := dsptest.ProcessorSeconds(func() {
		for b.Loop() {
			c, err := Prepare(context.Background(), versions, Settings{})
			if err != nil {
				b.Fatal(err)
			}
			if _, _, err := c.Page(PageSettings{}); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.ReportMetric(used/float64(b.N), "processor-s/page")
}
