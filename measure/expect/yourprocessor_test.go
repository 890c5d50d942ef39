package expect_test

// Test your own processor: a page to copy. The processor is a compressor of a dozen
// lines; what follows holds it to what it is meant to do.

import (
	"math"
	"testing"

	"github.com/boothbench/boothbench/measure/expect"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// newCompressor lowers what is above -20 dBFS, 2 to 1, attack 5 ms, release 50 ms.
func newCompressor(rate, _ int) func(block [][]float64) {
	peak, gainDB := 0.0, 0.0
	keep := math.Exp(-1 / (0.5 * float64(rate))) // the peak falls with 0.5 s
	attack, release := math.Exp(-1/(0.005*float64(rate))), math.Exp(-1/(0.05*float64(rate)))
	return func(block [][]float64) {
		for n, x := range block[0] {
			peak = max(math.Abs(x), keep*peak)
			want := min(0, (-20-20*math.Log10(max(peak, 1e-9)))/2)
			share := release
			if want < gainDB {
				share = attack
			}
			gainDB = want + share*(gainDB-want)
			block[0][n] = x * math.Pow(10, gainDB/20)
		}
	}
}

func TestYourProcessor(t *testing.T) {
	p := expect.Processor{Name: "compressor", RateHz: 48000, Device: expect.InBlocks(newCompressor)}

	// Any block size, any run: the same bits.
	expect.SameBits(t, p)

	// Level in, level out, in steps of 6 dB. The detector's ripple is 0.01 dB.
	tone := stimulus.SteppedTone{Hz: 997, FromDBFS: -44, ToDBFS: -2, StepDB: 6, StepSeconds: 0.5}
	expect.StaticCurve(t, p, tone, func(in float64) float64 { return min(in, -20+(in+20)/2) }, 0.02)

	// A step of level of 20 dB up: how fast the gain follows, in ms.
	step := stimulus.LevelStep{Hz: 6000, LowDBFS: -24, HighDBFS: -4, BeforeSeconds: 0.5, DuringSeconds: 0.5, AfterSeconds: 0.5}
	expect.Attack(t, p, step, 5, 0.2)

	// At -20 dBFS it leaves a sweep alone, 30 Hz to 18 kHz.
	expect.Response(t, p, expect.Mask{{Hz: 30, MinDB: -0.05, MaxDB: 0.05}, {Hz: 18000, MinDB: -0.05, MaxDB: 0.05}})

	// Silence stays silence, and a quiet sound stays bit for bit as it is.
	expect.IdleNoise(t, p, -120)
	quiet, err := stimulus.SpeechLike{PeakDBFS: -21, Seconds: 1, Seed: 1}.Make(48000)
	if err != nil {
		t.Fatal(err)
	}
	take := expect.Named("the quiet take", expect.Planes(48000, quiet))
	expect.NullUnaligned(t, p.Of(take), take, -200)
}
