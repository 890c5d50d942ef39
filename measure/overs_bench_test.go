package measure

import (
	"testing"
)

// BenchmarkOvers lists the overs of −1 dBTP in sound under it, and in dense noise.
func BenchmarkOvers(b *testing.B) {
	for _, name := range []string{"speech-like", "noise"} {
		b.Run("programme="+name, func(b *testing.B) {
			x := programmeForBench(name)
			for b.Loop() {
				o, err := NewOvers(OverSettings{Rate: 48000, Channels: 2, CeilingDBTP: -1})
				if err != nil {
					b.Fatal(err)
				}
				o.Write(x)
				o.Events()
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(2*x.Frames()), "ns/sample")
		})
	}
}
