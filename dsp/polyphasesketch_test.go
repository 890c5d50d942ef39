package dsp

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/boothbench/boothbench/dsp/vector"
)

// TestSketchBoundHolds: no reading exceeds a sketch's bound, for noise and for the
// worst windows of a row: the signs of the difference between row and sketch.
func TestSketchBoundHolds(t *testing.T) {
	bank := WindowedSinc(64, 256, 10)
	for _, size := range []SketchSize{{2, 0}, {4, 0}, {8, 0}, {16, 0}, {32, 0}, {16, 12}, {4, 40}, {16, 127}} {
		one := bank.sketch(size)
		beside := bank.half - one.bank.half
		closest := math.Inf(1)
		check := func(x []float64) {
			reading, peak := bank.Peak(x), vector.Peak(x)
			energy := 0.0
			for _, v := range x {
				energy += v * v
			}
			missed := float64(one.missed*peak) + float64(one.outside*math.Sqrt(energy))
			bound := max(one.bank.Peak(x[beside:len(x)-beside]), math.Abs(x[bank.half-1]), math.Abs(x[bank.half])) + missed
			if reading > bound {
				t.Fatalf("%v: a reading of %v, at most %v by the sketch", size, reading, bound)
			}
			closest = min(closest, (bound-reading)/missed)
			var rough [1]float64
			if m := (Sketches{one}).Rough(x, rough[:], peak, energy); m != missed || rough[0] != one.bank.Peak(x[beside:len(x)-beside]) {
				t.Fatalf("%v: a rough reading of %v that misses %v", size, rough[0], m)
			}
			for _, limit := range []float64{reading - 1e-9, reading * 0.9} {
				if !(Sketches{one}).MayExceed(x, make([]float64, 1), limit, peak, energy) {
					t.Fatalf("%v: a reading of %v is said to be within %v", size, reading, limit)
				}
			}
		}
		r := rand.New(rand.NewPCG(uint64(size.Every), uint64(size.Half)))
		x := make([]float64, 2*bank.half)
		for range 200 {
			for n := range x {
				x[n] = r.Float64()*2 - 1
			}
			check(x)
		}
		for p, row := range bank.rows {
			before := slices.Clone(row)
			if kept := (p + 1) / size.Every * size.Every; kept > 0 {
				before = slices.Clone(bank.rows[kept-1])
			}
			for n := range x {
				x[n] = math.Copysign(1, row[n]-before[n])
			}
			check(x)
			for n := range x {
				x[n] = row[n]
				if n >= beside && n < len(x)-beside {
					x[n] = 0
				}
			}
			if beside > 0 { // the worst for what lies outside
				check(x)
			}
			for n := range x {
				x[n] = math.Copysign(1, row[n])
			}
			check(x)
		}
		if t.Logf("%v: misses up to %.4f of the peak; %.2f of that is left at the closest", size, one.missed, closest); closest > 0.95 {
			t.Errorf("%v: the bound is not approached; %.2f is left", size, closest)
		}
	}
}
