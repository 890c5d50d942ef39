package dsp_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
)

// take is two channels of the demo take, its highest sample at full scale.
func take(b *testing.B, frames int) dsp.Block {
	r, err := wave.Open("../testdata/harbour-street.wav")
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	x := dsp.NewBlock(1, frames)
	if n, err := r.Read(x); n != frames {
		b.Fatal(n, err)
	}
	largest := 0.0
	for _, v := range x[0] {
		largest = max(largest, math.Abs(v))
	}
	both := dsp.NewBlock(2, frames)
	for n, v := range x[0] {
		both[0][n] = v / largest
		both[1][n] = x[0][max(0, n-11)] / largest / 2
	}
	return both
}

// BenchmarkLimiter reports ns of processor time per frame and channel, with the
// verification and without. The goals, verified: "normal", a read text of which up to 4 dB are
// taken, at most 6 ns; "crushed", up to 23 dB of words without pauses, at most 16;
// "noise", white, driven by 12 dB, at most 60 (it took 143 on a quiet
// virtual machine with AVX; 0.36 of that now, in pairs on a loaded one).
func BenchmarkLimiter(b *testing.B) {
	const frames = 48000 * 8
	voice := speech(b, frames)
	noise := dsp.NewBlock(2, frames)
	for c, random := 0, rand.New(rand.NewPCG(1, 2)); c < 2; c++ {
		for n := range noise[c] {
			noise[c][n] = random.Float64() - 0.5
		}
	}
	for _, c := range []struct {
		name    string
		in      dsp.Block
		driveDB float64
	}{{"normal", take(b, frames), 3}, {"dense", voice, 5}, {"silent", dsp.NewBlock(2, frames), 0}, {"quiet", voice, -20}, {"crushed", voice, 23}, {"noise", noise, 12}} {
		for _, verified := range []bool{false, true} {
			b.Run(fmt.Sprintf("programme=%s/verified=%v/ch=2", c.name, verified), func(b *testing.B) {
				s := dsp.LimiterSettings{CeilingDBTP: -1, DriveDB: c.driveDB, LookaheadMs: 3, LinkChannels: true}
				var l dsp.Processor
				var err error
				if l, err = dsp.NewLimiter(s, 48000, 2); verified {
					l, err = dsp.NewVerifiedLimiter(s, 48000, 2)
				}
				if err != nil {
					b.Fatal(err)
				}
				block := dsp.NewBlock(2, 1024)
				seconds := 0.0
				for b.Loop() {
					seconds += dsptest.ProcessorSeconds(func() {
						for from := 0; from+1024 <= frames; from += 1024 {
							for ch := range block {
								copy(block[ch], c.in[ch][from:])
							}
							l.Process(block)
						}
					})
				}
				b.ReportMetric(seconds*1e9/float64(b.N)/(frames/1024*1024*2), "ns/sample")
			})
		}
	}
}

func BenchmarkNewVerifiedCeiling(b *testing.B) {
	for b.Loop() {
		if _, err := dsp.NewVerifiedCeiling(dsp.VerifiedCeilingSettings{CeilingDBTP: -1, LinkChannels: true}, 48000, 2); err != nil {
			b.Fatal(err)
		}
	}
}
