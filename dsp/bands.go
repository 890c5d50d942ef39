package dsp

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp/vector"
)

// Bands gives the energies of several bands of a sound at once and leaves it as it is.
type Bands struct {
	bank     *vector.Bank
	state    []vector.BankState
	channels int
	grid     grid
}

// NewBands makes it of one to three bands of four sections in series and of up to three
// bands of one section, for a number of channels. It panics on other numbers of
// bands or sections: they are constants of the program, not input.
func NewBands(series [][]Biquad, singles []Biquad, channels int) *Bands {
	if len(series) < 1 || len(series) > 3 || len(singles) > 3 {
		panic(fmt.Sprintf("dsp: NewBands: found %d bands of four sections and %d of one; accepted: 1 to 3 and 0 to 3", len(series), len(singles)))
	}
	kernel := func(s Biquad) vector.Section { return vector.NewSection(s.B0, s.B1, s.B2, s.A1, s.A2) }
	var rows [][4]vector.Section
	for _, sections := range series {
		if len(sections) != 4 {
			panic(fmt.Sprintf("dsp: NewBands: found a band of %s; accepted: 4", Plural(len(sections), "section")))
		}
		var four [4]vector.Section
		for i := range four {
			four[i] = kernel(sections[i])
		}
		rows = append(rows, four)
	}
	var single []vector.Section
	for _, s := range singles {
		single = append(single, kernel(s))
	}
	b := &Bands{bank: vector.NewBank(rows, single), channels: channels, grid: newGrid()}
	b.state = b.bank.NewStates(channels)
	return b
}

// Add adds the squares of the block, filtered by each band, to the bands' sums.
func (b *Bands) Add(x Block) {
	mustFit(x, b.channels)
	for from, frames := 0, x.Frames(); from < frames; {
		to := b.grid.stretch(x, from)
		if !b.grid.empty {
			b.bank.Energies(x, from, to, b.state)
		}
		if b.grid.advance(to - from) {
			b.settle()
		}
		from = to
	}
}

// TakeSeries is the sum of a channel's band of four sections since the sum was last
// taken.
func (b *Bands) TakeSeries(channel, band int) float64 {
	return b.bank.TakeSeries(b.state, channel, band)
}

// TakeSingle is TakeSeries of a band of one section.
func (b *Bands) TakeSingle(channel, band int) float64 {
	return b.bank.TakeSingle(b.state, channel, band)
}

func (b *Bands) settle() {
	infinite, tiny := math.Float64bits(math.Inf(1)), math.Float64bits(tinyState)
	b.grid.empty = true
	for i := range b.state {
		s := &b.state[i]
		// Few states need to be settled: see first whether one does.
		any, one := uint64(0), false
		for row := range s.S1 {
			for lane := range s.S1[row] {
				p, q := math.Float64bits(s.S1[row][lane])<<1>>1, math.Float64bits(s.S2[row][lane])<<1>>1
				any |= p | q
				one = one || p-1 < tiny || q-1 < tiny || max(p, q) >= infinite
			}
		}
		if one {
			any = 0
			for row := range s.S1 {
				for lane := range s.S1[row] {
					p, q := settled(s.S1[row][lane]), settled(s.S2[row][lane])
					s.S1[row][lane], s.S2[row][lane] = p, q
					any |= math.Float64bits(p) | math.Float64bits(q)
				}
			}
		}
		b.grid.empty = b.grid.empty && any == 0
	}
}
