package vector

import (
	"math/rand/v2"
	"testing"
)

// randomBank is a bank of either arrangement with the states of some planes, twice.
func randomBank(rng *rand.Rand, planes int) (b *Bank, series, singles int, got, want []BankState) {
	series, singles = 1+rng.IntN(3), rng.IntN(5)
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
				if err := same([]float64{*b.OfSeries(got, p, i)}, []float64{*b.OfSeries(want, p, i)}); err != nil {
					t.Fatalf("round %d, plane %d of %d, series %d of %d: %v", round, p, planes, i, series, err)
				}
			}
			for i := range singles {
				if err := same([]float64{*b.OfSingle(got, p, i)}, []float64{*b.OfSingle(want, p, i)}); err != nil {
					t.Fatalf("round %d, plane %d of %d, single %d of %d: %v", round, p, planes, i, singles, err)
				}
			}
		}
	}
}

// A bank's sums are the energies of what Filter gives, section by section.
func TestBankIsFilters(t *testing.T) {
	rng := rand.New(rand.NewPCG(33, 34))
	for _, series := range []int{1, 3} {
		const planes, frames = 3, 500
		var rows [][4]Section
		for range series {
			rows = append(rows, [4]Section{stable(rng), stable(rng), stable(rng), stable(rng)})
		}
		singles := []Section{stable(rng), stable(rng), stable(rng), stable(rng)}
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
				if got, want := *b.OfSeries(states, p, i), energy(p, rows[i][:]); got != want {
					t.Errorf("plane %d, series %d: %g, by filters %g", p, i, got, want)
				}
			}
			for i := range singles {
				if got, want := *b.OfSingle(states, p, i), energy(p, singles[i:i+1]); got != want {
					t.Errorf("plane %d, single %d: %g, by filters %g", p, i, got, want)
				}
			}
		}
	}
}

func BenchmarkBank(b *testing.B) {
	rng := rand.New(rand.NewPCG(35, 36))
	series := [][4]Section{{stable(rng), stable(rng), stable(rng), stable(rng)}, {stable(rng), stable(rng), stable(rng), stable(rng)}}
	bank := NewBank(series, []Section{stable(rng)})
	x := [][]float64{samples(rng, 256, true), samples(rng, 256, true)}
	states := bank.NewStates(2)
	b.Run("best", func(b *testing.B) {
		for b.Loop() {
			bank.Energies(x, 0, 256, states)
		}
	})
	for _, assembly := range []bool{true, false} {
		b.Run(map[bool]string{true: "assembly", false: "Go"}[assembly], func(b *testing.B) {
			if assembly {
				needAVX(b)
			}
			for b.Loop() {
				bank.energies(x, 0, 256, states, assembly)
			}
		})
	}
}
