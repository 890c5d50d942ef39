package compare

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// Clipping is named, with its level and no band or compression for it, whatever was done to the
// sound ahead of it: a bell, a compressor, a gain that moves, silence in a part, something cut
// out, a whole delay. Rounded to 16 bits or not.
func TestClippingIsNamedBesideOtherChanges(t *testing.T) {
	take, rate := testsound.ReadTake(t, "source/reading-2.wav")
	rng := rand.New(rand.NewPCG(85, 86))
	cases := 6
	if dsptest.IsExhaustive() {
		cases = 120
	}
	a := take[0]
	for i := range cases {
		b := slices.Clone(a)
		name := ""
		switch i % 6 {
		case 0:
			name = "a bell"
			b = filtered(b, dsp.CookbookBell(300+2000*rng.Float64(), 16*rng.Float64()-8, 1, float64(rate)))
		case 1:
			name = "a compressor"
			b = compressed(b, rate, dsp.AmplitudeToDB(peakOf(b))-10, 3)
		case 2:
			name = "silence"
			from := rng.IntN(len(b) / 2)
			clear(b[from : from+rate/3])
		case 3:
			name = "a cut"
			from := len(b)/4 + rng.IntN(len(b)/2)
			b = append(b[:from], b[from+rate/20:]...)
		case 4:
			name = "a delay"
			b = append(make([]float64, 1+rng.IntN(rate)), b...)
		case 5:
			name = "a gain that moves"
			phase := rng.Float64() * 2 * math.Pi
			for n := range b {
				b[n] *= dsp.DBToAmplitude(3 * math.Sin(phase+2*math.Pi*float64(n)/float64(2*rate)))
			}
		}
		most := peakOf(b) * dsp.DBToAmplitude(-4-5*rng.Float64())
		gain := dsp.DBToAmplitude(-10 * rng.Float64())
		if beyond := len(slices.DeleteFunc(slices.Clone(b), func(v float64) bool { return math.Abs(v) < most })); beyond < 2*leastClips {
			continue
		}
		rounded := rng.IntN(2) == 0
		for n, v := range b {
			if b[n] = gain * max(-most, min(most, v)); rounded {
				b[n] = math.Round(b[n]*(1<<15)) / (1 << 15)
			}
		}
		c := sameness(t, a, b, rate)
		all := c.Differences()
		d, found := of(all, Clipped)
		if !found || math.Abs(d.Value-dsp.AmplitudeToDB(most*gain)) > 0.05 { // half a step of 16 bits
			t.Errorf("%s, clipped at %.2f dBFS: %s", name, dsp.AmplitudeToDB(most*gain), c.Summary())
			continue
		}
		if size := math.Abs(a[d.Frame]); i%6 > 1 && i%6 != 5 && size < 0.98*most {
			t.Errorf("%s: A has %.3f where B is said to be clipped at %.3f first", name, size, most)
		}
		for _, kind := range []Kind{Band, Compression, Click} {
			if _, is := of(all, kind); is {
				t.Errorf("%s, clipped: %s", name, c.Summary())
			}
		}
	}
	// A peak that is rounded, or a limiter that follows the sound, is no clipping.
	for _, bits := range []float64{8, 12} {
		b := slices.Clone(a)
		for n, v := range b {
			b[n] = math.Round(v/2*math.Exp2(bits-1)) / math.Exp2(bits-1)
		}
		if all, summary := listed(t, dsp.Block{a}, dsp.Block{b}, rate); slices.ContainsFunc(all, func(d Difference) bool { return d.Kind == Clipped }) {
			t.Errorf("rounded to %g bits: %s", bits, summary)
		}
	}
}
