package vector

import (
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

func needAVX(t testing.TB) {
	if !hasAVX {
		t.Skip("no AVX: everything runs in Go")
	}
}

func TestFilterBits(t *testing.T) {
	needAVX(t)
	rng := rand.New(rand.NewPCG(1, 2))
	for round := range 2000 {
		planes, sections, frames := 1+rng.IntN(4), 1+rng.IntN(10), 1+rng.IntN(60)
		var k []Section
		var got, want [][]State
		for range sections {
			a2 := 1.98*rng.Float64() - 0.99 // stable: |a2| < 1, |a1| < 1 + a2 (common practice)
			a1 := (2*rng.Float64() - 1) * (1 + a2)
			k = append(k, NewSection(rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64(), a1, a2))
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
	needAVX(t)
	rng := rand.New(rand.NewPCG(3, 4))
	for range 2000 {
		cell, cells := 8*(1+rng.IntN(5)), rng.IntN(9)
		x := samples(rng, cell*cells+2+rng.IntN(3), false)
		got, want := make([]float64, cells), make([]float64, cells)
		Peaks(x, cell, got)
		peaks(x, cell, want)
		if err := same(got, want); err != nil {
			t.Fatalf("peaks of %d: %v", cell, err)
		}
		x = samples(rng, cell*cells+2, true)
		Bends(x, cell, got)
		bends(x, cell, want)
		if err := same(got, want); err != nil {
			t.Fatalf("bends of %d: %v", cell, err)
		}
	}
}

func TestSquaresBits(t *testing.T) {
	needAVX(t)
	rng := rand.New(rand.NewPCG(5, 6))
	for range 2000 {
		x := samples(rng, rng.IntN(50), false)
		var got, want [4]float64
		phase := rng.IntN(8)
		Squares(x, phase, &got)
		for n, v := range x {
			want[(phase+n)%4] += v * v
		}
		if err := same(got[:], want[:]); err != nil {
			t.Fatal(err)
		}
		cut := rng.IntN(len(x) + 1)
		var parts [4]float64
		Squares(x[:cut], phase, &parts)
		Squares(x[cut:], phase+cut, &parts)
		if err := same(parts[:], got[:]); err != nil {
			t.Fatal(err)
		}
	}
}

func TestReadingsBits(t *testing.T) {
	needAVX(t)
	rng := rand.New(rand.NewPCG(7, 8))
	for range 2000 {
		m := Mirrored{Half: 1 + rng.IntN(20)}
		for range m.Half * (1 + rng.IntN(3)) {
			m.Taps = append(m.Taps, [4]float64{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()})
		}
		windows := rng.IntN(14)
		x := samples(rng, windows+2*m.Half, rng.IntN(2) == 0)
		got, want := make([]float64, windows), make([]float64, windows)
		m.Readings(x, got)
		m.readings(x, want)
		if err := same(got, want); err != nil {
			t.Fatalf("%d windows of %d: %v", windows, 2*m.Half, err)
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
	cells, out := make([]float64, frames/32), make([]float64, frames)
	k := NewSection(1, -1.9, 0.95, -1.9, 0.95)
	s := make([]State, 2)
	var sums [4]float64
	bank := func(half, groups int) *Mirrored { return &Mirrored{half, make([][4]float64, half*groups)} }
	short, long := bank(6, 1), bank(128, 1)
	type loop struct {
		name      string
		perFrame  int // samples
		avx, twin func()
	}
	for _, l := range []loop{
		{"peaks", 1, func() { peaksAVX(&x[0], 32, &cells[0], len(cells)) }, func() { peaks(x, 32, cells) }},
		{"bends", 1, func() { bendsAVX(&x[0], 32, &cells[0], len(cells)) }, func() { bends(x, 32, cells) }},
		{"squares", 1, func() { squaresAVX(&x[0], frames/4, &sums) }, func() { squares(x[:frames], &sums) }},
		{"section of a pair", 2, func() { pair1AVX(&x[0], &y[0], frames, &k, &s[0]) }, func() { pair(x[:frames], y, &k, &s[0], &s[1]) }},
		{"readings of 4x12 taps", 1, func() { short.Readings(x, out) }, func() { short.readings(x, out) }},
		{"readings of 4x256 taps", 1, func() { long.Readings(x, out) }, func() { long.readings(x, out) }},
	} {
		for name, run := range map[string]func(){"assembly": l.avx, "Go": l.twin} {
			b.Run(l.name+"/"+name, func(b *testing.B) {
				if name == "assembly" {
					needAVX(b)
				}
				for b.Loop() {
					run()
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(frames*l.perFrame), "ns/sample")
			})
		}
	}
}
