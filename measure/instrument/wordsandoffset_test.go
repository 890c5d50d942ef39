package instrument

import (
	"math"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// An offset, trailing bits that are always 0 and a channel that is a frame late are findings;
// the small ones of a working device are not.
func TestOffsetBitsAndChannelDelay(t *testing.T) {
	tone := stimulus.Tone{Hz: 997, PeakDBFS: -20, Seconds: 0.5, Channels: 2}
	word := func(bits int) func(dsp.Block) {
		return func(b dsp.Block) {
			for _, plane := range b {
				for n, v := range plane {
					plane[n] = math.RoundToEven(math.Ldexp(v, bits-1)) / math.Ldexp(1, bits-1)
				}
			}
		}
	}
	late := func(frames int) func(dsp.Block) {
		return func(b dsp.Block) {
			copy(b[1][frames:], b[1][:len(b[1])-frames])
			word(24)(b)
		}
	}
	offset := func(by float64) func(dsp.Block) {
		return func(b dsp.Block) {
			for _, plane := range b {
				for n := range plane {
					plane[n] += by
				}
			}
			word(24)(b)
		}
	}
	for _, c := range []struct {
		name, phrase string
		device       func(dsp.Block)
	}{
		{"a wire", "", word(24)},
		{"16 bits", "use only 16 of their 24 bits", word(16)},
		{"22 bits", "", word(22)},
		{"late", "it is 1.00 frames later than channel 1", late(1)},
		{"offset", "offset of -0.0100, -40 dBFS", offset(-0.01)},
		{"a small offset", "", offset(0.0005)},
	} {
		a, err := aligned(t, tone, c.device)
		if err != nil {
			t.Fatal(err)
		}
		if c.phrase == "" && len(a.Findings) > 0 || c.phrase != "" && !finds(a.Findings, c.phrase) {
			t.Errorf("%s: found %v, want %q", c.name, a.Findings, c.phrase)
		}
	}
}
