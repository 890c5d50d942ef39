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

// TestDoubledSketchBoundHolds: no reading exceeds the bound of the sketch that doubles the rate,
// for noise, for the signs of a row, in all taps and in the outer ones alone, and for signs
// that are found by search.
func TestDoubledSketchBoundHolds(t *testing.T) {
	bank := WindowedSinc(64, 256, 10)
	d := bank.doubledSketch()
	sound := newDoubledSound(4 * bank.half)
	x := make([]float64, 2*bank.half+vector.CoarseWindows-1)
	first := bank.half - 1 // interval
	closest := 0.0
	check := func(missed float64, windows int) (most float64) {
		sound.begin(x, vector.Peak(x))
		var found vector.DoubledReadings
		d.read(&sound, first, &found)
		for i := range windows {
			window := x[i : i+2*bank.half]
			reading, read := bank.Peak(window), max(math.Abs(x[first+i]), math.Abs(x[first+i+1]))
			for _, part := range found {
				read = max(read, float64(part[i])*sound.unit())
			}
			if bound := read + float64(missed*sound.peak); reading > bound {
				t.Fatalf("interval %d: a reading of %v, at most %v by the sketch", i, reading, bound)
			}
			most = max(most, (reading-read)/sound.peak)
		}
		closest = max(closest, most)
		return most
	}
	r := rand.New(rand.NewPCG(85, 86))
	for range 100 {
		for n := range x {
			x[n] = r.Float64()*2 - 1
		}
		check(d.missed+d.outside, vector.CoarseWindows)
	}
	for _, row := range bank.rows {
		clear(x)
		for n, tap := range row {
			x[n] = math.Copysign(1, tap)
		}
		check(d.missed+d.outside, vector.CoarseWindows)
		for n := range x { // what it leaves out
			if n >= bank.half-d.half && n < bank.half+d.half {
				x[n] = 0
			}
		}
		check(d.outside, 1)
	}
	// Signs that it misses most of, found by turning one after the other.
	inner := x[bank.half-d.half : bank.half+d.half]
	clear(x)
	for n := range inner {
		inner[n] = float64(1 - 2*r.IntN(2))
	}
	best := check(d.missed, 1)
	for range 12 * len(inner) {
		n := r.IntN(len(inner))
		inner[n] = -inner[n]
		if missed := check(d.missed, 1); missed >= best {
			best = missed
		} else {
			inner[n] = -inner[n]
		}
	}
	if t.Logf("misses %.4f of the peak, by the inner taps %.4f, at most %.4f and %.4f", closest, best, d.missed, d.outside); best < 0.3*d.missed {
		t.Error("the bound is not approached")
	}
}
