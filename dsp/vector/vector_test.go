package vector

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// samples are of every kind that floats have, most of them usual ones.
func samples(rng *rand.Rand, n int, finite bool) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = rng.NormFloat64()
		switch special := rng.IntN(200); {
		case special == 0:
			x[i] = 0
		case special == 1:
			x[i] = math.Copysign(0, -1)
		case special == 2:
			x[i] *= 5e-324
		case special == 3:
			x[i] *= 1e300
		case special == 4 && !finite:
			x[i] = math.Inf(1 - 2*rng.IntN(2))
		case special == 5 && !finite:
			x[i] = math.NaN()
		}
	}
	return x
}

// same compares bit by bit, but for the bits of a NaN.
func same(a, b []float64) error {
	for i := range a {
		if math.Float64bits(a[i]) != math.Float64bits(b[i]) && !(a[i] != a[i] && b[i] != b[i]) {
			return fmt.Errorf("element %d of %d: %g in assembly, %g in Go", i, len(a), a[i], b[i])
		}
	}
	return nil
}

func needSIMD(t testing.TB) {
	if !hasSIMD {
		t.Skip("no assembly: everything runs in Go")
	}
}

func needAVX(t testing.TB) {
	if !hasAVX {
		t.Skip("no AVX: everything runs in Go")
	}
}

// stable is a section with its poles within the unit circle: |a2| < 1, |a1| < 1 + a2
// (Jury's criterion, 1964).
func stable(rng *rand.Rand) Section {
	a2 := 1.98*rng.Float64() - 0.99
	a1 := (2*rng.Float64() - 1) * (1 + a2)
	return NewSection(rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64(), a1, a2)
}

func TestFilterBits(t *testing.T) {
	needAVX(t)
	rng := rand.New(rand.NewPCG(1, 2))
	for round := range 2000 {
		planes, sections, frames := 1+rng.IntN(4), 1+rng.IntN(10), 1+rng.IntN(60)
		var k []Section
		var got, want [][]State
		for range sections {
			k = append(k, stable(rng))
			states := make([]State, planes)
			for p := range states {
				states[p] = State{rng.NormFloat64(), rng.NormFloat64()}
			}
			got, want = append(got, states), append(want, append([]State(nil), states...))
		}
		var x, y [][]float64
		for range planes {
			plane := samples(rng, frames+7, true)
			x, y = append(x, plane), append(y, append([]float64(nil), plane...))
		}
		Filter(x, 3, 3+frames, k, got)
		for p := range y {
			for i := range k {
				one(y[p][3:3+frames], &k[i], &want[i][p])
			}
			if err := same(x[p], y[p]); err != nil {
				t.Fatalf("round %d: %d sections, plane %d of %d: %v", round, sections, p, planes, err)
			}
			for i := range k {
				if got[i][p] != want[i][p] && got[i][p] == got[i][p] {
					t.Fatalf("round %d: state %d of plane %d: %v in assembly, %v in Go", round, i, p, got[i][p], want[i][p])
				}
			}
		}
	}
}

func TestExtremesBits(t *testing.T) {
	needSIMD(t)
	rng := rand.New(rand.NewPCG(3, 4))
	for range 2000 {
		cell, cells := 8*(1+rng.IntN(5)), rng.IntN(9)
		x := samples(rng, cell*cells+2+rng.IntN(3), false)
		got, want := make([]float64, cells), make([]float64, cells)
		Peaks(x, cell, got)
		peaksOf(x, cell, want)
		if err := same(got, want); err != nil {
			t.Fatalf("peaks of %d: %v", cell, err)
		}
		x = samples(rng, rng.IntN(50), true)
		if err := same([]float64{Peak(x), Curvature(x)}, []float64{peak(x), curvature(x)}); err != nil {
			t.Fatalf("of %d samples: %v", len(x), err)
		}
	}
}

func TestOverBits(t *testing.T) {
	rng := rand.New(rand.NewPCG(83, 84))
	for range 2000 {
		x := samples(rng, rng.IntN(33), false)
		value := rng.Float64()
		if len(x) > 0 && rng.IntN(3) == 0 {
			value = math.Abs(x[rng.IntN(len(x))])
		}
		if got, want := Over(x, value), over(x, value); got != want {
			t.Fatalf("%v over %v: %b in assembly, %b in Go", x, value, got, want)
		}
	}
}

// Extents are those of each block by itself, and of what there was.
func TestExtentsBits(t *testing.T) {
	rng := rand.New(rand.NewPCG(81, 82))
	for range 1000 {
		block, got := 1+rng.IntN(40), make([]Extent, rng.IntN(9))
		x := samples(rng, 2+len(got)*block+rng.IntN(3), true)
		want := make([]Extent, len(got))
		for k := range got {
			if rng.IntN(2) == 0 {
				got[k] = Extent{rng.Float64() * 3, rng.Float64() * 6}
			}
			part := x[k*block : (k+1)*block+2]
			want[k] = Extent{max(got[k].Peak, peak(part[2:])), max(got[k].Curvature, curvature(part))}
		}
		Extents(x, block, got)
		for k := range got {
			if got[k] != want[k] {
				t.Fatalf("block %d of %d frames: %v in assembly, %v in Go", k, block, got[k], want[k])
			}
		}
	}
}

func TestGainsBits(t *testing.T) {
	needAVX(t)
	rng := rand.New(rand.NewPCG(11, 12))
	for range 2000 {
		cell, cells := 8*(1+rng.IntN(5)), rng.IntN(9)
		n := cell * cells
		x, y := samples(rng, n, false), samples(rng, n, false)
		got, want := make([]float64, n), make([]float64, n)
		peaks, wanted := make([]float64, cells), make([]float64, cells)
		gain := rng.NormFloat64()
		Scale(got, x, gain, cell, peaks)
		scale(want, x, gain, cell, wanted)
		if err := errors.Join(same(got, want), same(peaks, wanted)); err != nil {
			t.Fatal(err)
		}
		part := rng.IntN(n + 1)
		Multiply(got[:part], x, y)
		multiply(want[:part], x, y)
		if err := same(got, want); err != nil {
			t.Fatal(err)
		}
	}
}

// TestEnergyBits: the bits are those of the loops in Go.
func TestEnergyBits(t *testing.T) {
	needSIMD(t)
	rng := rand.New(rand.NewPCG(5, 6))
	for round := range 2000 {
		q := NewQuarters(stable(rng), stable(rng))
		rows := fewestRows + rng.IntN(mostRows-fewestRows+1)
		x := samples(rng, 4*rows, round%2 == 0)
		var got, want [3][4]float64
		aheadSIMD(&x[0], rows, &q.left[0][mostRows-rows], &got)
		q.ahead(x, rows, &want)
		for i := range got {
			if err := same(got[i][:], want[i][:]); err != nil {
				t.Fatalf("quarter %d of %d frames: %v", i, rows, err)
			}
		}
		var states [4]QuartersState
		var sums [4]float64
		for i := range states {
			states[i] = QuartersState{State{rng.NormFloat64(), rng.NormFloat64()}, State{rng.NormFloat64(), rng.NormFloat64()}}
			sums[i] = rng.Float64()
		}
		wantStates, wantSums := states, sums
		quartersSIMD(&x[0], rows, &q.k, &states, &sums)
		q.quarters(x, rows, &wantStates, &wantSums)
		if err := same(sums[:], wantSums[:]); err != nil {
			t.Fatalf("sums of quarters of %d frames: %v", rows, err)
		}
		for i := range states {
			g, w := states[i].values(), wantStates[i].values()
			if err := same(g[:], w[:]); err != nil {
				t.Fatalf("states of quarter %d of %d frames: %v", i, rows, err)
			}
		}
	}
}

// TestEnergyOfSections cuts a sound into stretches of any length, and compares with both
// sections frame by frame.
func TestEnergyOfSections(t *testing.T) {
	rng := rand.New(rand.NewPCG(15, 16))
	for round := range 200 {
		first, second := stable(rng), stable(rng)
		x := make([]float64, 2000)
		for n := range x {
			x[n] = rng.NormFloat64()
		}
		y := append([]float64(nil), x...)
		var before, s QuartersState
		two(y, []Section{first, second}, &before.First, &before.Second)
		q := NewQuarters(first, second)
		for len(x) > 0 {
			n := min(len(x), rng.IntN(1+rng.IntN(1500)))
			got, want := q.Energy(x[:n], &s), 0.0
			for _, v := range y[:n] {
				want += v * v
			}
			// Poles are at 0.995 at most: rounding grows by some hundred times 1e-16.
			if math.Abs(got-want) > 1e-11*want {
				t.Errorf("round %d, %d frames: %v in quarters, %v frame by frame", round, n, got, want)
			}
			x, y = x[n:], y[n:]
		}
	}
}

func TestReadingsBits(t *testing.T) {
	needSIMD(t)
	rng := rand.New(rand.NewPCG(7, 8))
	for range 2000 {
		half := 1 + rng.IntN(20)
		var taps [][4]float64
		for range half * (1 + rng.IntN(6)) {
			taps = append(taps, [4]float64{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()})
		}
		m := NewMirrored(half, taps)
		windows := rng.IntN(14)
		x := samples(rng, windows+2*m.Half, rng.IntN(2) == 0)
		got, want := make([]float64, windows), make([]float64, windows)
		m.Readings(x, got)
		m.readings(x, want)
		if err := same(got, want); err != nil {
			t.Fatalf("%d windows of %d: %v", windows, 2*m.Half, err)
		}
		for i := range got {
			got[i] = m.Reading(x[i : i+2*m.Half])
		}
		if err := same(got, want); err != nil {
			t.Fatalf("one window of %d: %v", 2*m.Half, err)
		}
		if half == 1 {
			continue // there is no part of one pair
		}
		bounds, wanted := make([]float64, windows), make([]float64, windows)
		near, enough := 1+rng.IntN(half-1), 3*rng.Float64()*float64(half)
		m.Bounds(x, bounds, near, enough)
		m.bounds(x, wanted, near, enough)
		if err := same(bounds, wanted); err != nil {
			t.Fatalf("bounds of %d windows of %d by %d pairs: %v", windows, 2*half, near, err)
		}
		m.Bounds(x, bounds, near, -1)
		for i := range got {
			if got[i] > bounds[i] {
				t.Fatalf("reads %g, the bound is %g", got[i], bounds[i])
			}
		}
	}
}

// The loops in assembly beside those in Go, on 1024 frames.
func BenchmarkVector(b *testing.B) {
	rng := rand.New(rand.NewPCG(9, 10))
	const frames = 1024
	x, y := samples(rng, frames+512, true), samples(rng, frames+512, true)
	for n := range x {
		x[n], y[n] = math.Mod(x[n], 4), math.Mod(y[n], 4)
	}
	cells, out := make([]float64, frames/16), make([]float64, frames)
	k := NewSection(1, -1.9, 0.95, -1.9, 0.95)
	extents := make([]Extent, frames/12)
	s := make([]State, 4)
	q, quarters := NewQuarters(NewSection(1.5, -2.7, 1.2, -1.7, 0.73), NewSection(1, -2, 1, -1.99, 0.99)), new(QuartersState)
	plain := make([]float64, frames)
	for n := range plain {
		plain[n] = rng.NormFloat64()
	}
	inGo := func() {
		for n := 0; n < frames; n += 512 {
			var ahead [3][4]float64
			var states [4]QuartersState
			var sums [4]float64
			q.ahead(plain[n:], 128, &ahead)
			q.quarters(plain[n:], 128, &states, &sums)
		}
	}
	bank := func(half, groups int) *Mirrored { return NewMirrored(half, make([][4]float64, half*groups)) }
	short, long := bank(6, 1), bank(128, 1)
	onlyAVX := map[string]bool{"extents": true, "scale": true, "multiply": true, "section of a pair": true}
	type loop struct {
		name           string
		perFrame       int // samples
		assembly, twin func()
	}
	for _, l := range []loop{
		{"peaks", 1, func() { peaksSIMD(&x[0], 16, &cells[0], len(cells)) }, func() { peaksOf(x, 16, cells) }},
		{"curvature", 1, func() { curvatureSIMD(&x[0], frames) }, func() { curvature(x[:frames+2]) }},
		{"extents", 1, func() { Extents(x, 12, extents) }, func() { extentsOf(x, 12, extents) }},
		{"energy of a plane", 1, func() { q.Energy(plain, quarters) }, inGo},
		{"scale", 1, func() { scaleAVX(&out[0], &x[0], 0.5, 16, &cells[0], frames/16) }, func() { scale(out, x[:frames], 0.5, 16, cells[:frames/16]) }},
		{"multiply", 1, func() { multiplyAVX(&out[0], &x[0], &y[0], frames) }, func() { multiply(out, x[:frames], y[:frames]) }},
		{"section of a pair", 2, func() { pair1AVX(&x[0], &y[0], frames, &k, &s[0]) }, func() { pair(x[:frames], y, &k, &s[0], &s[1]) }},
		{"readings of 4x12 taps", 1, func() { short.Readings(x, out) }, func() { short.readings(x, out) }},
		{"bounds of 4x12 taps", 1, func() { short.Bounds(x, out, 3, -1) }, func() { short.bounds(x, out, 3, -1) }},
		{"readings of 4x256 taps", 1, func() { long.Readings(x, out) }, func() { long.readings(x, out) }},
	} {
		for name, run := range map[string]func(){"assembly": l.assembly, "Go": l.twin} {
			b.Run(l.name+"/"+name, func(b *testing.B) {
				switch {
				case name == "Go":
				case onlyAVX[l.name]:
					needAVX(b)
				default:
					needSIMD(b)
				}
				for b.Loop() {
					run()
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(frames*l.perFrame), "ns/sample")
			})
		}
	}
}

func TestScaledGainsBits(t *testing.T) {
	needAVX(t)
	rng := rand.New(rand.NewPCG(13, 14))
	for range 2000 {
		n := rng.IntN(70)
		x, gain := samples(rng, n, false), samples(rng, n, false)
		want, factor := append([]float64(nil), x...), rng.NormFloat64()
		MultiplyScaled(x, gain, factor)
		multiplyScaled(want, gain, factor)
		if err := same(x, want); err != nil {
			t.Fatal(err)
		}
		for i := range gain { // 0 and −0 are equal, and either may be the lowest
			gain[i] += 0
		}
		known := 3 * rng.Float64()
		if got, want := Lowest(gain, known), lowest(gain, known); got != want {
			t.Fatalf("the lowest of %v and %g: %g, in Go %g", gain, known, got, want)
		}
	}
}

// The table is made with package math here: the loops take any.
func TestApproachBits(t *testing.T) {
	needAVX(t)
	rng := rand.New(rand.NewPCG(15, 16))
	var table [GainSteps]uint64
	for i := range table {
		table[i] = math.Float64bits(math.Exp2(float64(i) / GainSteps))
	}
	for range 2000 {
		n := rng.IntN(70)
		got, want := make([]float64, n), make([]float64, n)
		goal, off, k := -500*rng.Float64(), 20*(2*rng.Float64()-1), rng.Float64()
		if rng.IntN(4) == 0 {
			goal, k = -10*rng.Float64(), 1-0.01*rng.Float64()
		}
		off = min(off, -goal) // a gain is 1 at most
		left, leftInGo := Approach(got, goal, off, k, &table), approach(want, goal, off, k, &table)
		if err := errors.Join(same(got, want), same([]float64{left}, []float64{leftInGo})); err != nil {
			t.Fatal(err)
		}
		for i, g := range got {
			if exact := math.Exp2(goal + off*math.Pow(k, float64(i+1))); math.Abs(g/exact-1) > 1e-12 {
				t.Fatalf("gain %d: %.17g, package math %.17g", i, g, exact)
			}
		}
	}
}

// The first numbers of the sequence from state 1234567 are those that its authors'
// program prints (Vigna, splitmix64.c; from memory).
func TestDitherBits(t *testing.T) {
	state := uint64(1234567)
	for i, want := range []uint64{6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431, 16408922859458223821} {
		var got uint64
		if state, got = SplitMix64(state); got != want {
			t.Errorf("number %d is %d, want %d", i, got, want)
		}
	}
	needAVX(t)
	rng := rand.New(rand.NewPCG(17, 18))
	for range 2000 {
		n := rng.IntN(70)
		x := samples(rng, n, false)
		got, want := make([]float64, n), make([]float64, n)
		seed, scale := rng.Uint64(), math.Exp2(float64(rng.IntN(30)))
		next, nextInGo := Dither(got, x, scale, seed), dither(want, x, scale, seed)
		if err := same(got, want); err != nil || next != nextInGo {
			t.Fatalf("state %d, in Go %d; %v", next, nextInGo, err)
		}
	}
}

func TestDotsBits(t *testing.T) {
	needSIMD(t)
	rng := rand.New(rand.NewPCG(3, 8))
	for n := range 40 {
		for _, finite := range []bool{true, false} {
			x, a, b, c, d := samples(rng, n, finite), samples(rng, n, finite), samples(rng, n, finite), samples(rng, n, finite), samples(rng, n, finite)
			four, two := Dots4(x, a, b, c, d), Dots2(x, a, b)
			if err := same(four[:], []float64{dot(x, a), dot(x, b), dot(x, c), dot(x, d)}); err != nil {
				t.Errorf("four rows of %d: %v", n, err)
			}
			if err := same(two[:], []float64{dot(x, a), dot(x, b)}); err != nil {
				t.Errorf("two rows of %d: %v", n, err)
			}
		}
	}
}
