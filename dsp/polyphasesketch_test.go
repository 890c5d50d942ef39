package dsp

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/boothbench/boothbench/dsp/vector"
)

// TestSketchesMissNothing: no reading exceeds what a sketch leaves open, for noise and
// for the windows that are worst for a row: the signs of what the sketch misses of it.
func TestSketchesMissNothing(t *testing.T) {
	bank := WindowedSinc(64, 256, 10)
	for _, every := range []int{2, 4, 8, 16, 32} {
		one := bank.sketch(every)
		closest := math.Inf(1)
		check := func(x []float64) {
			reading, peak := bank.Peak(x), vector.Peak(x)
			bound := max(one.bank.Peak(x), math.Abs(x[bank.half-1]), math.Abs(x[bank.half])) + one.missed*peak
			if reading > bound {
				t.Fatalf("one row in %d: a reading of %v, at most %v by the sketch", every, reading, bound)
			}
			closest = min(closest, (bound-reading)/(one.missed*peak))
			for _, limit := range []float64{reading - 1e-9, reading * 0.9} {
				if !(Sketches{one}).MayExceed(x, make([]float64, 1), limit, peak) {
					t.Fatalf("one row in %d: a reading of %v is said to be within %v", every, reading, limit)
				}
			}
		}
		r := rand.New(rand.NewPCG(uint64(every), 1))
		x := make([]float64, 2*bank.half)
		for range 200 {
			for n := range x {
				x[n] = r.Float64()*2 - 1
			}
			check(x)
		}
		for p, row := range bank.rows {
			before := slices.Clone(row)
			if kept := (p + 1) / every * every; kept > 0 {
				before = slices.Clone(bank.rows[kept-1])
			}
			for n := range x {
				x[n] = math.Copysign(1, row[n]-before[n])
			}
			check(x)
			for n := range x {
				x[n] = math.Copysign(1, row[n])
			}
			check(x)
		}
		if t.Logf("one row in %d: misses up to %.4f of the peak; %.2f of that is left at the closest", every, one.missed, closest); closest > 0.95 {
			t.Errorf("one row in %d: the bound is not approached; %.2f is left", every, closest)
		}
	}
}
