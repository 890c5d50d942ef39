package take

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// One of two channels that is inverted in a part only is named with its times, whatever the
// gain and the noise of each and however the sound comes in blocks; a channel that is late,
// or another voice, is not.
func TestInvertedPartOfOneChannel(t *testing.T) {
	voice, rate := testsound.ReadTake(t, "harbour-street.wav")
	x := voice[0]
	faultsOf := func(b dsp.Block, rng *rand.Rand) string {
		var p Pair
		for at := 0; at < len(b[0]); {
			n := min(len(b[0])-at, 1+rng.IntN(5000))
			p.Write(dsp.Block{b[0][at : at+n], b[1][at : at+n]})
			at += n
		}
		return strings.Join(p.Faults(rate), "; ")
	}
	for seed := range uint64(40) {
		rng := rand.New(rand.NewPCG(seed, 6))
		other := testsound.Times(x, 0.2+rng.Float64())
		for n, v := range testsound.Noise(len(x), 0.005*rng.Float64(), seed) {
			other[n] += v
		}
		if got := faultsOf(dsp.Block{x, other}, rng); got != "" {
			t.Errorf("%d: nothing is inverted: %s", seed, got)
		}
		// Its ends lie where the voice speaks, so that it shows where they are.
		loud := func() int {
			for {
				if at := 2*rate + rng.IntN(9*rate); rmsOf(x[at-rate/40:at+rate/40]) > 0.03 {
					return at
				}
			}
		}
		from, to := loud(), loud()
		for max(from-to, to-from) < rate {
			from, to = loud(), loud()
		}
		from, to = min(from, to), max(from, to)
		for n := from; n < to; n++ {
			other[n] = -other[n]
		}
		got := faultsOf(dsp.Block{x, other}, rng)
		var a, b float64 // s
		if n, _ := fmt.Sscanf(got, "channel 2 is channel 1 inverted from 00:00:%f to 00:00:%f,", &a, &b); n != 2 || math.Abs(a-float64(from)/float64(rate)) > 0.08 || math.Abs(b-float64(to)/float64(rate)) > 0.08 {
			t.Errorf("%d: inverted from %.3f to %.3f s: %q", seed, float64(from)/float64(rate), float64(to)/float64(rate), got)
		}
		late := append(make([]float64, 40), x[:len(x)-40]...)
		elsewhere := append(append([]float64{}, x[rate:]...), x[:rate]...)
		for _, second := range [][]float64{late, elsewhere} {
			if got := faultsOf(dsp.Block{x, second}, rng); strings.Contains(got, "inverted") {
				t.Errorf("%d: %s", seed, got)
			}
		}
	}
}

func rmsOf(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum / float64(len(x)))
}

// Inspection states it as a fault, at its first frame.
func TestInspectionNamesAnInvertedPart(t *testing.T) {
	voice, rate := testsound.ReadTake(t, "harbour-street.wav")
	b := dsp.Block{voice[0][:6*rate], testsound.Times(voice[0][:6*rate], 0.9)}
	for n := 3 * rate; n < 6*rate; n++ {
		b[1][n] = -b[1][n]
	}
	in := inspect(t, b, 24)
	for _, f := range in.Findings {
		if strings.Contains(f.What, "channel 2 is channel 1 inverted from") && f.Severity == measure.Fault && f.Channel == 1 {
			return
		}
	}
	t.Errorf("%v", in.Findings)
}
