package dsp

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/boothbench/boothbench/dsp/vector"
)

// Every reading over a limit is found, to the bit, and what is not is within the limit: of
// tones of any frequency at the limits that are hardest to decide, of noise, of tones in noise,
// and of the windows that a bound by magnitudes is tight for, the signs of what a row is off by.
func TestHalvesFindWhatExceeds(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	bank := WindowedSinc(64, 256, 10)
	halves := bank.Halves()
	x := make([]float64, 2*bank.half+3)
	rounds := 500
	if exhaustive() {
		rounds = 20000
	}
	for round := range rounds {
		few := 1 + rng.IntN(4)
		window := x[:2*bank.half+few-1]
		noise, turn, phase := math.Pow(10, -1-6*rng.Float64()), math.Pi*math.Pow(10, -4*rng.Float64()), 2*math.Pi*rng.Float64()
		row, other := bank.rows[rng.IntN(len(bank.rows))], bank.rows[rng.IntN(len(bank.rows))]
		for n := range window {
			switch round % 4 {
			case 0:
				window[n] = rng.NormFloat64()
			case 1:
				window[n] = 0.9 * math.Sin(turn*float64(n)+phase)
			case 2:
				window[n] = 0.9*math.Sin(turn*float64(n)+phase) + noise*rng.NormFloat64()
			default:
				window[n] = math.Copysign(1, row[n%len(row)]-other[n%len(row)])
			}
		}
		want, got := make([]float64, few), make([]float64, few)
		bank.Peaks(window, want)
		curvature, peak := vector.Curvature(window), vector.Peak(window)
		top := vector.Peak(want)
		for _, limit := range []float64{0, top * (1 - 1e-3), top * (1 - 1e-6), math.Nextafter(top, 0), top, top * (1 + 1e-6)} {
			found := halves.Exceed(window, got, limit, peak, curvature)
			if found != (top > limit) {
				t.Fatalf("round %d: largest reading %v, limit %v, found %t", round, top, limit, found)
			}
			for i, v := range want {
				if v > limit && got[i] != v || got[i] > v {
					t.Fatalf("round %d, window %d: %v, want %v, limit %v", round, i, got[i], v, limit)
				}
			}
		}
	}
}

// Of the crest of a steady tone, which is hardly over the limit, a part of the rows is read: two thirds.
func TestHalvesReadAPartOfATonesCrest(t *testing.T) {
	bank := WindowedSinc(64, 256, 10)
	halves := bank.Halves()
	read, all := 0, 0
	for _, hz := range []float64{100, 440, 997, 3150, 7919} {
		for phase := 0.0; phase < 1; phase += 0.01 {
			x := make([]float64, 2*bank.half+3)
			for n := range x {
				x[n] = math.Cos(2 * math.Pi * hz / 48000 * (float64(n-bank.half) - phase))
			}
			var few [4]float64
			bank.Peaks(x, few[:])
			r := halfReading{halves, x, make([]float64, 4), vector.Peak(few[:]) * (1 - 1e-9), 1, vector.Curvature(x), 1, halves.rounding}
			last := halves.groups[len(halves.groups)-1]
			last.Readings(x, r.peaks)
			read += 1 + groupsRead(&r, halves.tree, 1, vector.Peak(r.peaks))
			all += len(halves.groups)
		}
	}
	t.Logf("%d of %d groups", read, all)
	if 4*read > 3*all {
		t.Errorf("%d of %d groups of rows are read, want three quarters at most", read, all)
	}
}

// groupsRead counts what between would read.
func groupsRead(r *halfReading, one *halving, before, after float64) int {
	if one == nil || r.isWithin(one, before, after) {
		return 0
	}
	var few [4]float64
	r.groups[one.group].Readings(r.x, few[:])
	middle := vector.Peak(few[:])
	return 1 + groupsRead(r, one.before, before, middle) + groupsRead(r, one.after, middle, after)
}
