package dsp

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestGuardShortcutsChangeNothing: a guard that keeps plain readings from step to step, or
// that reads steps ahead, gives the gains of one that examines each step by itself, bit by
// bit: for pieces of noise, tones, squares, single samples and silence of any level, two
// channels, in runs of any length, on a grid and on none.
func TestGuardShortcutsChangeNothing(t *testing.T) {
	rng := rand.New(rand.NewPCG(71, 72))
	trials := 24
	if exhaustive() {
		trials = 80
	}
	lowered, plain, ahead := 0, 0, 0
	for trial := range trials {
		guard := verifiedGuard()
		if trial%2 == 0 {
			stride := []int{3, 7, 12}[rng.IntN(3)]
			guard = newCeilingGuard(1, guardFade[len(guardFade)-stride:], 1, annex2Bank())
		}
		quick, slow := guard.twin(2), guard.twin(2)
		slow.ahead.target = nil
		for i := range slow.banks {
			slow.banks = append([]guardBank(nil), slow.banks...)
			slow.banks[i].fromPlain = nil
		}
		grid := 0.0
		if rng.IntN(3) == 0 {
			grid = 1 / 32768.0
		}
		const before = 40 * peakCell // of silence
		frames := before + 6000
		planes := make([]limiterPlane, 2)
		for c := range planes {
			planes[c] = newLimiterPlane(frames)
			planes[c].reset(before)
			planes[c].take(guardTrial(rng, frames-before, grid), 1)
		}
		gains := [2][]float64{make([]float64, frames), make([]float64, frames)}
		for i, g := range []*ceilingGuard{&quick, &slow} {
			fill(gains[i], 1)
			g.onGrid(grid)
			g.reset(before - g.stride)
		}
		for known := before; known < frames; {
			known = min(frames, known+1+rng.IntN(700))
			if quick.run(planes, gains[0], known) {
				lowered++
			}
			slow.run(planes, gains[1], known)
			if quick.plainKnown {
				plain++
				if grid == 0 {
					checkPlain(t, &quick, planes, gains[0])
				}
			}
			if quick.ahead.read {
				ahead++
			}
		}
		for n, g := range gains[1] {
			if gains[0][n] != g {
				t.Fatalf("trial %d, stride %d, grid %g: gain %v at frame %d, without shortcuts %v", trial, quick.stride, grid, gains[0][n], n, g)
			}
		}
	}
	if t.Logf("%d runs lowered, plain readings after %d, read ahead in %d", lowered, plain, ahead); lowered == 0 || plain == 0 || ahead == 0 {
		t.Error("a shortcut was never taken, or nothing was lowered")
	}
}

// checkPlain compares the plain readings of the short bank with those of the frames as they
// are now: in part put out, in part to come.
func checkPlain(t *testing.T, g *ceilingGuard, planes []limiterPlane, gain []float64) {
	t.Helper()
	for i := range g.plain {
		b, x := &g.banks[i%len(g.banks)], planes[i/len(g.banks)].x
		if b.half > longHalf {
			continue
		}
		for cell, most := range g.plain[i] {
			if most == 0 {
				continue
			}
			for n := cell * peakCell; n < (cell+1)*peakCell; n++ {
				window := make([]float64, 2*b.half)
				for j := range window {
					at := g.next - g.margin + n - b.half + 1 + j
					window[j] = gain[at] * x[at]
				}
				if reading := b.Peak(window); reading > most*(1+1e-12) {
					t.Fatalf("cell %d: interval %d reads %v, at most %v by the plain readings", cell, n, reading, most)
				}
			}
		}
	}
}

// guardTrial is a sound of pieces whose readings are near a limit of 1.
func guardTrial(rng *rand.Rand, frames int, grid float64) []float64 {
	x := make([]float64, frames)
	for from := 0; from < frames; {
		to := min(frames, from+1+rng.IntN(2000))
		kind, level, hz := rng.IntN(7), 0.5+rng.Float64(), math.Pi*rng.Float64()
		for n := from; n < to; n++ {
			switch kind {
			case 0: // noise that fills the band; few of its readings are over
				x[n] = level * 0.7 * (2*rng.Float64() - 1)
			case 1:
				x[n] = level * 0.3 * rng.NormFloat64()
			case 2:
				x[n] = level * math.Sin(hz*float64(n))
			case 3:
				x[n] = math.Copysign(level, math.Sin(hz/20*float64(n)))
			case 4:
				x[n] = level * 0.6 * float64(1-2*rng.IntN(2))
			case 5:
				if rng.IntN(300) == 0 {
					x[n] = level * float64(1-2*rng.IntN(2))
				}
			}
			if grid > 0 {
				x[n] = math.RoundToEven(x[n]/grid) * grid
			}
		}
		from = to
	}
	return x
}

// TestPlainBoundHolds: no reading of a cell exceeds what is concluded from its plain
// readings, for the standard target and for one with dips, and for signals that make most
// of the factors or of the taps that plain readings leave out.
func TestPlainBoundHolds(t *testing.T) {
	guard := verifiedGuard().twin(1)
	rng := rand.New(rand.NewPCG(73, 74))
	signal := make([]float64, guard.margin+len(guard.target))
	closest := map[bool]float64{}
	trials := 120
	if exhaustive() {
		trials = 400
	}
	for trial := range trials {
		guard.targetAll()
		dipped := 0.0
		if trial%2 == 0 {
			dipped = 0.02 * rng.Float64()
			for k, d := 0, 1.0; k < len(guard.target); k++ { // steps of just this size
				d = max(0, min(1, d+dipped*float64(1-2*rng.IntN(2))))
				if trial%4 == 0 {
					d = max(0, 1-dipped*float64(k))
				}
				guard.target[k] *= d
			}
		}
		for i := range guard.banks[:2] {
			b := &guard.banks[i]
			row, at := b.rows[rng.IntN(len(b.rows))], rng.IntN(len(signal))
			for n := range signal {
				j := n - at + b.half - 1
				switch {
				case trial%3 == 0:
					signal[n] = 2*rng.Float64() - 1
				case j < 0 || j >= len(row):
					signal[n] = 0
				case trial%3 == 1: // before the interval as the row has it, behind it the opposite
					signal[n] = math.Copysign(1, row[j])
					if j >= b.half {
						signal[n] = -signal[n]
					}
				default:
					signal[n] = row[j]
					if middle := b.reach; j >= b.half-middle && j < b.half+middle {
						signal[n] = 0
					}
				}
			}
			x := guard.weighted(signal, guard.target)
			guard.scan.of(x, signal)
			guard.scan.begin(b, guard.margin, 1)
			guard.scan.knows(new(plainPeaks), dipped, 1)
			for cell := (guard.margin + peakCell) / peakCell; (cell+1)*peakCell+b.half < len(x); cell++ {
				guard.scan.readPlain(cell)
				most := guard.scan.fromPlain(cell)
				for n := cell * peakCell; n < (cell+1)*peakCell; n++ {
					reading := b.Peak(x[n-b.half+1 : n+b.half+1])
					if reading > most {
						t.Fatalf("trial %d, %d taps: interval %d reads %v, at most %v", trial, 2*b.half, n, reading, most)
					}
					if reading > 0.1 {
						closest[dipped > 0] = max(closest[dipped > 0], reading/most)
					}
				}
			}
		}
	}
	if t.Logf("readings reach %.3f of the bound, with dips %.3f", closest[false], closest[true]); closest[false] < 0.9 || closest[true] < 0.6 {
		t.Error("the bound is not approached")
	}
}

// TestGuardAheadEndBounds: where readings show that the windows that reach into the silence after
// a target are within a limit, none of these reads more, computed anew from the frames with their
// factors. Half of the targets end in the samples of one size that such a window reads most of.
func TestGuardAheadEndBounds(t *testing.T) {
	rng := rand.New(rand.NewPCG(91, 92))
	bank := annex2Bank()
	half := bank.Half()
	decided := 0
	for range 400 {
		stride := []int{3, 7, 12}[rng.IntN(3)]
		g := newCeilingGuard(1, guardFade[len(guardFade)-stride:], 1, bank)
		const next = 4 * peakCell
		frames := next + (aheadSteps+1)*stride
		planes := []limiterPlane{newLimiterPlane(frames)}
		x := planes[0].x
		for n := range frames {
			x[n] = 2*rng.Float64() - 1
		}
		at := rng.IntN(aheadSteps) * stride
		known := next + at + 2*stride // the target ends before it
		if rng.IntN(2) == 0 {
			row, first := bank.rows[rng.IntN(len(bank.rows))], known-1-rng.IntN(2*half-1)
			for j, tap := range row {
				if first+j < known {
					x[first+j] = math.Copysign(1, tap)
				}
			}
		}
		gain := make([]float64, frames)
		fill(gain, 1)
		g.ahead.cover(planes, gain, next, frames)
		g.ahead.readAll()
		most := 0.0
		for first := known - 2*half + 1; first < known; first++ {
			window := make([]float64, 2*half)
			for j := range window {
				if n := first + j; n < known {
					window[j] = x[n]
					if k := n - next - at; k >= 0 {
						window[j] *= g.target[k]
					}
				}
			}
			most = max(most, bank.Peak(window))
		}
		if g.ahead.endFits(0, at, most*(1-1e-9)) {
			t.Fatalf("stride %d, step %d: within %v, but reads more", stride, at/stride, most)
		}
		if g.ahead.endFits(0, at, 2) {
			decided++
		}
	}
	if decided < 300 {
		t.Errorf("%d of 400 were decided", decided)
	}
}
