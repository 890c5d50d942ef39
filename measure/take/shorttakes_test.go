package take

import (
	"math"
	"math/rand/v2"
	"regexp"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// Of less than a tenth of a second nothing is found of channels, offsets, hum or noise,
// whatever the samples are; and of unrelated channels of 1000 frames and more, nothing of
// their polarity, delay or correlation.
func TestVeryShortTakesSayLittle(t *testing.T) {
	count := 150
	if dsptest.IsExhaustive() {
		count = 1500
	}
	compared := 0
	for i := range count {
		rng := rand.New(rand.NewPCG(uint64(i), 81))
		rate := []int{8000, 16000, 44100, 48000, 96000}[rng.IntN(5)]
		frames := 1 + int(math.Exp(rng.Float64()*math.Log(2000)))
		kind := rng.IntN(5)
		b := dsp.NewBlock(2, frames)
		for c, x := range b {
			level, hz := math.Pow(10, -3*rng.Float64()), 100+3000*rng.Float64()
			for n := range x {
				switch kind {
				case 0:
					x[n] = level * rng.NormFloat64()
				case 1:
					x[n] = level * math.Sin(hz*float64(n)/float64(rate))
				case 2:
					x[n] = b[0][n] * []float64{1, -level}[c]
					if c == 0 {
						x[n] = level * (2*rng.Float64() - 1)
					}
				case 3:
					x[n] = float64(rng.IntN(3)-1) * level * float64(c)
				default:
					x[n] = level
				}
			}
		}
		short := frames < max(800, rate/10)
		if !short && kind == 0 {
			compared++
		}
		never := regexp.MustCompile("channel|correlation|hum of|floors|offset|softer")
		if !short {
			never = regexp.MustCompile("inverted|later|correlation|hum of|floors")
			if kind > 0 {
				continue
			}
		}
		in := inspectAt(t, rate, b...)
		for _, f := range in.Findings {
			if never.MatchString(f.What) {
				t.Errorf("%d: %d frames at %d Hz of kind %d: %q", i, frames, rate, kind, f.What)
			}
		}
		var pair Pair
		pair.Write(b)
		if frames < leastPairFrames && len(pair.Faults(48000)) > 0 {
			t.Errorf("%d: %d frames: %q", i, frames, pair.Faults(48000))
		}
		for _, name := range []string{"correlation", "channel_delay_frames", "channel_gain_db"} {
			if got, ok := in.Readings.Get(name); short && ok && got.Measurable() {
				t.Errorf("%d: %d frames at %d Hz: %s is %v", i, frames, rate, name, got)
			}
		}
	}
	if compared == 0 {
		t.Error("no channels are compared: nothing is tested")
	}
}
