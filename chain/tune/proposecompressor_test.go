package tune

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/boothbench/boothbench/dsp"
)

// The threshold gives the requested median reduction, for random levels up to 30 dB apart and
// three ratios. Tolerance 0.1 dB: the threshold is rounded by up to 0.05 dB, the reduction
// changes by less than 1 dB for each dB of it, and the search ends within 0.02 dB.
func TestCompressorThresholdGivesTheMedianReduction(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	for range 20 {
		level := make([]int16, 20_000)
		loud, spread := -10-40*rng.Float64(), 5+25*rng.Float64()
		db := 0.0
		for k := range level {
			if k%80 == 0 {
				db = loud - spread*rng.Float64()
			}
			level[k] = int16(100*db) + int16(rng.IntN(200))
		}
		active := [][]bool{make([]bool, len(level))}
		for k, v := range level {
			active[0][k] = float64(v)/100 > loud-spread/2
		}
		for _, ratio := range []float64{2, 2.6, 3} {
			s := dsp.CompressorSettings{Ratio: ratio, KneeDB: 6, AttackMs: 5, ReleaseMs: 100, Detector: dsp.Peak, DetectorWindowMs: 10, LinkChannels: true}
			s.ThresholdDBFS = solveThreshold([][]int16{level}, active, s, 3)
			is := compressed([][]int16{level}, s).activeReduction(active, 0.5)
			if math.Abs(is-3) > 0.1 || s.ThresholdDBFS != math.Round(10*s.ThresholdDBFS)/10 {
				t.Errorf("levels of %.1f to %.1f dBFS, ratio %g: a threshold of %g dBFS, which gives %.3f dB", loud-spread, loud, ratio, s.ThresholdDBFS, is)
			}
		}
	}
}

func TestNthSmallestIsThatOfSortedValues(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 9))
	for range 300 {
		values := make([]float32, 1+rng.IntN(40))
		for k := range values {
			values[k] = float32(rng.IntN(1 + rng.IntN(50)))
		}
		sorted := slices.Sorted(slices.Values(values))
		n := rng.IntN(len(values))
		if is := nthSmallest(slices.Clone(values), n); is != sorted[n] {
			t.Fatalf("value %d of %v is %g; %v in order", n, values, is, sorted)
		}
	}
}
