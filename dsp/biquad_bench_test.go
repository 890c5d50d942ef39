package dsp

import (
	"fmt"
	"testing"
)

func BenchmarkCascade(b *testing.B) {
	for _, channels := range []int{1, 2} {
		for _, sections := range []int{1, 2, 4, 5, 10} {
			b.Run(fmt.Sprintf("sections=%d/ch=%d", sections, channels), func(b *testing.B) {
				var list []Biquad
				for i := range sections {
					list = append(list, CookbookBell(100*float64(i+1), 3, 1, 48000))
				}
				c := NewCascade(list, channels)
				x := NewBlock(channels, 1024)
				for n := range x[0] {
					for ch := range x {
						x[ch][n] = float64(n%100) * 1e-4
					}
				}
				for b.Loop() {
					c.Process(x)
					for ch := range x {
						x[ch][0] = 0.5 // keep it going, whatever the gain
					}
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/1024/float64(channels), "ns/sample")
			})
		}
	}
}
