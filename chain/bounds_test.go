package chain_test

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// Random chains at the bounds of their settings, at 8, 48 and 192 kHz, on full-scale
// noise: the output is finite, and holds no more energy than the chain's largest gains
// allow. The bound is strict: a filter cannot raise the energy of a sound by more than
// its largest gain; a gain of 1 or less not at all; a de-esser, which adds a moving
// share of a band to the rest, by 3.01 dB at most (band and rest are complementary in
// power, and amplitudes add). The margin is rounding.
func TestChainsAtTheirBounds(t *testing.T) {
	count := 24
	if dsptest.IsExhaustive() {
		count = 200
	}
	for seed := range uint64(count) {
		rng := rand.New(rand.NewPCG(seed, 19))
		rate := []int{8000, 48000, 192000}[seed%3]
		channels := 1 + rng.IntN(2)
		text := "schema = 1\n"
		for range 1 + rng.IntN(6) {
			kinds := chain.Kinds()
			k := kinds[rng.IntN(len(kinds))]
			text += "[[stage]]\nkind = \"" + k.Name + "\"\n" + atBounds(rng, k.Fields, rate, channels)
			if k.Bands != nil {
				for range 1 + rng.IntN(3) {
					text += "[[stage.band]]\n" + atBounds(rng, k.Bands, rate, channels)
				}
			}
		}
		c, err := chain.Parse(fmt.Sprint("chain ", seed), []byte(text))
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		e, err := c.Prepare(rate, channels)
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		boundDB := 1e-6
		for i, s := range e.Plan() {
			boundDB += s.LargestGainDB
			switch v := c.Stages[i].Settings.(type) {
			case dsp.GainSettings:
				boundDB += max(0, v.GainDB)
			case dsp.CompressorSettings:
				boundDB += max(0, v.MakeupDB)
			case dsp.LimiterSettings:
				boundDB += max(0, v.DriveDB)
			case dsp.DeEsserSettings:
				boundDB += 10 * math.Log10(2)
			}
			if s.LargestGainDB < 0 {
				boundDB -= s.LargestGainDB // some channels may pass beside it
			}
		}
		in := dsp.NewBlock(channels, 12_000)
		for _, plane := range in {
			for n := range plane {
				plane[n] = 2*rng.Float64() - 1
			}
		}
		out, err := e.ProcessPlanes(context.Background(), in)
		if err != nil {
			t.Fatal(err)
		}
		for c, plane := range out {
			got, bound := 10*math.Log10(sumOfSquares(plane)), 10*math.Log10(sumOfSquares(in[c]))+boundDB
			if !(got <= bound) { // NaN too
				t.Errorf("chain %d at %d Hz: energy %.2f dB, at most %.2f\n%s", seed, rate, got, bound, text)
			}
		}
	}
}

func sumOfSquares(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return sum
}

// atBounds writes values at the ends of ranges, or anywhere between.
func atBounds(rng *rand.Rand, fields []chain.Field, rate, channels int) string {
	var b strings.Builder
	words := map[string]string{}
	skipped := ""
	for _, f := range fields {
		lo, hi := f.Min, f.Max
		if f.Unit == "Hz" {
			hi = min(hi, 0.49999*float64(rate))
		}
		switch f.Key {
		case "key_low_hz":
			hi = min(hi, 0.2*float64(rate))
		case "key_high_hz":
			lo = 0.25 * float64(rate)
		case "lookahead_ms":
			if f.Least != "" {
				lo = max(lo, 16_000/float64(rate))
			}
		}
		if f.When != nil && !strings.Contains(strings.Join(f.When.Words, " "), words[f.When.Key]) || f.Key == skipped {
			continue
		}
		if f.Instead != "" {
			if rng.IntN(2) == 0 {
				continue
			}
			skipped = f.Instead
		}
		switch f.Type {
		case chain.Number:
			v := []float64{lo, hi, lo + (hi-lo)*rng.Float64(), max(lo, min(hi, lo*math.Pow(max(2, hi/max(lo, 1)), rng.Float64())))}[rng.IntN(4)]
			if f.Zero != "" && rng.IntN(4) == 0 {
				v = 0
			}
			fmt.Fprintf(&b, "%s = %.17g\n", f.Key, v)
		case chain.WholeNumber:
			fmt.Fprintf(&b, "%s = %d\n", f.Key, []int{int(lo), int(hi)}[rng.IntN(2)])
		case chain.TrueOrFalse:
			fmt.Fprintf(&b, "%s = %v\n", f.Key, rng.IntN(2) == 0)
		case chain.Word:
			words[f.Key] = f.Words[rng.IntN(len(f.Words))]
			fmt.Fprintf(&b, "%s = %q\n", f.Key, words[f.Key])
		case chain.ChannelList:
			fmt.Fprintf(&b, "%s = [%d]\n", f.Key, 1+rng.IntN(channels))
		}
	}
	return b.String()
}
