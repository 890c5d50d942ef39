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

// BenchmarkVerifiedCeiling works on limited speech.
func BenchmarkVerifiedCeiling(b *testing.B) {
	const frames = 48000 * 2
	s := limiterDefaults()
	s.DriveDB = 5
	in, _ := limited(speech(b, frames), s, 48000)
	v, err := dsp.NewVerifiedCeiling(dsp.VerifiedCeilingSettings{CeilingDBTP: -1, LinkChannels: true}, 48000, 2)
	if err != nil {
		b.Fatal(err)
	}
	out := dsp.NewBlock(2, in.Frames())
	for b.Loop() {
		copy(out[0], in[0])
		copy(out[1], in[1])
		v.Reset()
		v.Process(out)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(frames*2), "ns/sample")
}

func BenchmarkNewVerifiedCeiling(b *testing.B) {
	for b.Loop() {
		if _, err := dsp.NewVerifiedCeiling(dsp.VerifiedCeilingSettings{CeilingDBTP: -1, LinkChannels: true}, 48000, 2); err != nil {
			b.Fatal(err)
		}
	}
}
