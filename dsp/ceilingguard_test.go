package dsp

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// guarded runs the guard alone over a signal, with gain 1 before it, and
// returns the result. The signal may have any peaks between its samples.
func guarded(x []float64, limit, grid float64, stride int) (y, gain []float64) {
	g := newCeilingGuard(limit, guardFade[len(guardFade)-stride:], 1, Annex2())
	g.onGrid(grid)
	const before = 4 * peakCell
	frames := before + len(x) + g.latency() + 1
	plane := newLimiterPlane(frames)
	plane.reset(before)
	plane.take(x, 1)
	all := make([]float64, frames)
	fill(all, 1)
	g.reset(before - g.stride) // the first plan lies over silence
	for known := before - g.stride; known <= frames; known++ {
		g.run([]limiterPlane{plane}, all, known)
	}
	gain = all[before : before+len(x)]
	y = make([]float64, len(x))
	for n := range y {
		y[n] = gain[n] * x[n]
	}
	g.onto(y)
	return y, gain
}

// annex2Reading is the largest |reading| of the printed table over a signal
// between silences.
func annex2Reading(x []float64) (peak float64) {
	padded := make([]float64, len(x)+24)
	copy(padded[12:], x)
	for n := 0; n+12 <= len(padded); n++ {
		for p := range 4 {
			var y float64
			for k := range 12 {
				y += annex2Printed[k][p] * padded[n+11-k]
			}
			peak = max(peak, math.Abs(y))
		}
	}
	return peak
}

// TestGuardCeilingOnAnySignal gives the guard signals that no limiter has touched:
// full-scale samples with readings up to the L1 norm, 6 dB over.
func TestGuardCeilingOnAnySignal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		stride := rapid.SampledFrom([]int{3, 4, 7, 12}).Draw(t, "stride")
		x := make([]float64, rapid.IntRange(1, 400).Draw(t, "frames"))
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		// No grid, one of 16 steps to the limit, and one of a recording.
		grid := rapid.SampledFrom([]float64{0, 0x1p-4, 0x1p-15}).Draw(t, "grid")
		kind := rapid.SampledFrom([]string{"signs", "row", "tone", "step"}).Draw(t, "kind")
		hz, phase, row := rng.Float64()*math.Pi, rng.Float64()*7, rng.IntN(4)
		for n := range x {
			switch kind {
			case "signs":
				x[n] = float64(1 - 2*rng.IntN(2))
			case "row":
				x[n] = math.Copysign(1, annex2Printed[n%12][row])
			case "tone":
				x[n] = math.Copysign(min(1, 1.5*math.Abs(math.Sin(hz*float64(n)+phase))), math.Sin(hz*float64(n)+phase))
			case "step":
				x[n] = 1
			}
			if grid > 0 {
				x[n] = math.Round(x[n]/grid) * grid
			}
		}
		y, gain := guarded(x, 1, grid, stride)
		// The rounding of the readings, twelve products.
		if peak := annex2Reading(y); peak > 1+1e-14 {
			t.Fatalf("reads %.15g", peak)
		}
		for n, g := range gain {
			if !(g >= 0 && g <= 1) {
				t.Fatalf("gain %g at frame %d", g, n)
			}
		}
	})
}

// TestGuardMeanGainOnSignNoise: on ±1 noise, whose readings are up to 6 dB
// over, the guard's mean gain is little lower than a fixed gain of −6.12 dB.
func TestGuardMeanGainOnSignNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	x := make([]float64, 20000)
	for n := range x {
		x[n] = float64(1 - 2*rng.IntN(2))
	}
	_, gain := guarded(x, 1, 0, 12)
	var mean, least float64 = 0, 1
	for _, g := range gain {
		mean += g / float64(len(gain))
		least = min(least, g)
	}
	t.Logf("mean gain %.3f, least %.3f", mean, least)
	if mean < 1/2.0229 {
		t.Errorf("mean gain %.3f", mean)
	}
}

// TestGuardReductionFollowsTheExcess: one interval over in a tone is lowered by about its
// excess, for the frames under it and their neighbours.
func TestGuardReductionFollowsTheExcess(t *testing.T) {
	for _, over := range []float64{.001, .01, .05, .2} {
		x := make([]float64, 2000)
		for n := range x {
			x[n] = .9 * math.Cos(2*math.Pi/160*float64(n-1000))
		}
		for range 60 { // one sample up until the signal reads as much as wanted
			x[1000] += (1 + over - annex2Reading(x)) / 2
		}
		_, gain := guarded(x, 1, 0, 12)
		least, moved := 1.0, 0
		for _, g := range gain {
			least = min(least, g)
			if g < 1 {
				moved++
			}
		}
		t.Logf("%+.1f %%: least gain %.4f, %d frames moved", 100*over, least, moved)
		if least < 1-1.15*over || moved > 30 {
			t.Errorf("%.3f over: least gain %.4f, %d frames moved", over, least, moved)
		}
	}
}

// TestGuardLeavesTonesUnchanged: tones at the ceiling need no gain.
func TestGuardLeavesTonesUnchanged(t *testing.T) {
	for _, hz := range []float64{50, 440, 997, 3001, 7000, 11177, 16000} {
		s := LimiterSettings{CeilingDBTP: -1, DriveDB: 6, LookaheadMs: 3}
		l, err := NewLimiter(s, 48000, 1)
		if err != nil {
			t.Fatal(err)
		}
		b := NewBlock(1, 20000)
		for n := range b[0] {
			b[0][n] = math.Sin(2 * math.Pi * hz * float64(n) / 48000)
		}
		l.Process(b)
		if g := &l.paths[0].guard; !g.standard {
			t.Errorf("%g Hz: the guard is at work", hz)
		}
	}
}

// On a grid the way from a plan to a target is limited for the unrounded frames, and
// the rounded ones may still be over: then half the way is tried, and so on. Here the
// target is far over, so that lowering alone cannot reach it, and the grid is coarse
// enough for the rounding to count.
func TestCeilingGuardApproachesOnAGrid(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 22))
	moved := 0
	for range 3000 {
		g := newCeilingGuard(0.8, guardFade[:], 1, Annex2())
		g.onGrid(1.0 / 8)
		for n := range g.signal[0] {
			g.signal[0][n] = math.Round(16*rng.Float64()-8) / 8
		}
		g.onto(g.signal[0])
		clear(g.signal[0][:g.margin]) // what was put out before
		scale := rng.Float64()
		for k := range g.plan {
			g.plan[k] = scale * rng.Float64()
		}
		if !g.fits(g.plan) {
			continue
		}
		before := append([]float64(nil), g.plan...)
		g.targetAll()
		g.approach()
		if !g.fits(g.plan) {
			t.Fatal("approached beyond the limit")
		}
		if !slices.Equal(g.plan, before) {
			moved++
		}
	}
	if moved < 300 {
		t.Errorf("only %d plans moved", moved)
	}
}
