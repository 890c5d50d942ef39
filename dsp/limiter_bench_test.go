package dsp_test

import (
	"testing"

	"github.com/boothbench/boothbench/dsp"
)

// BenchmarkLimiter reports ns per frame and channel. "speech" is limited by up
// to 6 dB, "crushed" by up to 24.
func BenchmarkLimiter(b *testing.B) {
	const frames = 48000 * 4
	voice := speech(b, frames)
	for _, c := range []struct {
		name    string
		in      dsp.Block
		driveDB float64
	}{
		{"speech", voice, 5}, {"silence", dsp.NewBlock(2, frames), 0}, {"quiet", voice, -20}, {"crushed", voice, 23},
	} {
		b.Run("programme="+c.name+"/ch=2", func(b *testing.B) {
			l, err := dsp.NewLimiter(dsp.LimiterSettings{CeilingDBTP: -1, DriveDB: c.driveDB, LookaheadMs: 3, LinkChannels: true}, 48000, 2)
			if err != nil {
				b.Fatal(err)
			}
			block := dsp.NewBlock(2, 1024)
			for b.Loop() {
				for from := 0; from+1024 <= frames; from += 1024 {
					for ch := range block {
						copy(block[ch], c.in[ch][from:])
					}
					l.Process(block)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(frames/1024*1024*2), "ns/sample")
		})
	}
}
