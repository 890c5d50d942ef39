package vector

import (
	"math"
	"math/rand/v2"
	"testing"
)

// randomBank is a bank of either arrangement with the states of some planes, twice.
func randomBank(rng *rand.Rand, planes int) (b *Bank, series, singles int, got, want []BankState) {
	series, singles = 1+rng.IntN(3), rng.IntN(4)
	var rows [][4]Section
	for range series {
		rows = append(rows, [4]Section{stable(rng), stable(rng), stable(rng), stable(rng)})
	}
	var single []Section
	for range singles {
		single = append(single, stable(rng))
	}
	b = NewBank(rows, single)
	got = b.NewStates(planes)
	for i := range got {
		for row := range 4 {
			for lane := range 4 {
				if !b.used[row][lane] {
					continue // its states stay 0
				}
				got[i].S1[row][lane], got[i].S2[row][lane], got[i].Sums[row][lane] = rng.NormFloat64(), rng.NormFloat64(), rng.Float64()
			}
		}
	}
	return b, series, singles, got, append([]BankState(nil), got...)
}

// The assembly gives the same sums as the loops in Go, whatever the blocks, and so the
// same states: the second stretch goes on from them.
func TestBankBits(t *testing.T) {
	needAVX(t)
	rng := rand.New(rand.NewPCG(31, 32))
	for round := range 2000 {
		planes := 1 + rng.IntN(5)
		b, series, singles, got, want := randomBank(rng, planes)
		frames := 1 + rng.IntN(70)
		var x [][]float64
		for range planes {
			x = append(x, samples(rng, frames+3, round%4 != 0))
		}
		cut := rng.IntN(frames + 1)
		energies := b.Energies // with AVX-512 where the processor has it
		if round%2 == 0 {
			energies = func(planes [][]float64, from, to int, states []BankState) { b.energies(planes, from, to, states, true) }
		}
		energies(x, 3, 3+cut, got)
		energies(x, 3+cut, 3+frames, got)
		b.energies(x, 3, 3+frames, want, false)
		for p := range planes {
			for i := range series {
				if err := same([]float64{b.TakeSeries(got, p, i)}, []float64{b.TakeSeries(want, p, i)}); err != nil {
					t.Fatalf("round %d, plane %d of %d, series %d of %d: %v", round, p, planes, i, series, err)
				}
			}
			for i := range singles {
				if err := same([]float64{b.TakeSingle(got, p, i)}, []float64{b.TakeSingle(want, p, i)}); err != nil {
					t.Fatalf("round %d, plane %d of %d, single %d of %d: %v", round, p, planes, i, singles, err)
				}
			}
		}
	}
}

// A bank's sums are the energies of what Filter gives, section by section.
func TestBankAgainstFilter(t *testing.T) {
	// The bank's sections are divided by their B0: other roundings, which poles at 0.995
	// at most let grow by some hundred times 1e-16 in each of four sections.
	const tolerance = 1e-11
	rng := rand.New(rand.NewPCG(33, 34))
	for _, series := range []int{1, 3} {
		const planes, frames = 3, 500
		var rows [][4]Section
		for range series {
			rows = append(rows, [4]Section{stable(rng), stable(rng), stable(rng), stable(rng)})
		}
		singles := []Section{stable(rng), stable(rng), stable(rng)}
		b := NewBank(rows, singles)
		states := b.NewStates(planes)
		var x [][]float64
		for range planes {
			x = append(x, samples(rng, frames, true))
			for i, v := range x[len(x)-1] {
				x[len(x)-1][i] = max(-10, min(10, v))
			}
		}
		b.Energies(x, 0, frames, states)
		energy := func(plane int, sections []Section) (sum float64) {
			y := [][]float64{append([]float64(nil), x[plane]...)}
			memory := make([][]State, len(sections))
			for i := range memory {
				memory[i] = make([]State, 1)
			}
			Filter(y, 0, frames, sections, memory)
			for _, v := range y[0] {
				sum += float64(v * v)
			}
			return sum
		}
		for p := range planes {
			for i := range rows {
				if got, want := b.TakeSeries(states, p, i), energy(p, rows[i][:]); !(math.Abs(got/want-1) < tolerance) {
					t.Errorf("plane %d, series %d: %g, by filters %g", p, i, got, want)
				}
			}
			for i := range singles {
				if got, want := b.TakeSingle(states, p, i), energy(p, singles[i:i+1]); !(math.Abs(got/want-1) < tolerance) {
					t.Errorf("plane %d, single %d: %g, by filters %g", p, i, got, want)
				}
			}
		}
	}
}

// BenchmarkBank is in ns a frame and plane, of three series and three single sections.
func BenchmarkBank(b *testing.B) {
	rng := rand.New(rand.NewPCG(35, 36))
	const frames = 1024
	four := func() [4]Section { return [4]Section{stable(rng), stable(rng), stable(rng), stable(rng)} }
	bank := NewBank([][4]Section{four(), four(), four()}, []Section{stable(rng), stable(rng), stable(rng)})
	var x [][]float64
	for range 2 {
		plane := make([]float64, frames)
		for n := range plane {
			plane[n] = rng.NormFloat64()
		}
		x = append(x, plane)
	}
	states := bank.NewStates(2)
	for name, run := range map[string]func(){
		"best":     func() { bank.Energies(x, 0, frames, states) },
		"assembly": func() { bank.energies(x, 0, frames, states, hasAVX) },
		"Go":       func() { bank.energies(x, 0, frames, states, false) },
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				run()
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*2*frames), "ns/sample")
		})
	}
}
