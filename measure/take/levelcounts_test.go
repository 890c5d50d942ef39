package take

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The lowest mode is the first maximum of the whole density, which is computed here with
// package math, that enough levels lie around.
func TestLowestMode(t *testing.T) {
	rng := rand.New(rand.NewPCG(61, 62))
	found := 0
	for round := range 100 {
		c := newLevelCounts()
		var levels []int
		for range 1 + rng.IntN(4) {
			centre, spread := -8000+7000*rng.Float64(), 20+300*rng.Float64()
			for range rng.IntN(60) {
				levels = append(levels, int(centre+spread*rng.NormFloat64()))
				c.add(int16(levels[len(levels)-1]))
			}
		}
		density := func(at int) (sum float64) {
			for _, level := range levels {
				if d := float64(level - at); math.Abs(d) <= densityReach {
					sum += math.Exp(-d * d / (2 * densityWidth * densityWidth))
				}
			}
			return sum
		}
		want, ok := 0, false
		for at := c.lo + lowestLevel - 200 + densityStep; !ok && at < c.hi+lowestLevel+200-densityStep; at += densityStep {
			near := 0
			for _, level := range levels {
				if level >= at-modeReach && level <= at+modeReach {
					near++
				}
			}
			here := density(at)
			if here >= density(at-densityStep) && here > density(at+densityStep) && float64(near) >= max(6, 0.03*float64(len(levels))) {
				want, ok = at, true
			}
		}
		got, gotOne := c.lowestMode()
		if got != want || gotOne != ok {
			t.Errorf("round %d: a mode at %d, %t; want %d, %t", round, got, gotOne, want, ok)
		}
		if ok {
			found++
		}
	}
	if found < 50 {
		t.Errorf("%d modes: too few for a test", found)
	}
}
