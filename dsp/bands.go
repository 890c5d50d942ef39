package dsp

import "github.com/boothbench/boothbench/dsp/vector"

// Bands gives the energies of several bands of a sound at once and leaves it as it is.
type Bands struct {
	bank  *vector.Bank
	state []vector.BankState
	grid  grid
}

// NewBands makes it of one to three bands of four sections in series and of up to four
// bands of one section, for a number of channels.
func NewBands(series [][]Biquad, singles []Biquad, channels int) *Bands {
	kernel := func(s Biquad) vector.Section { return vector.NewSection(s.B0, s.B1, s.B2, s.A1, s.A2) }
	var rows [][4]vector.Section
	for _, sections := range series {
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
	b := &Bands{bank: vector.NewBank(rows, single), grid: newGrid()}
	b.state = b.bank.NewStates(channels)
	return b
}

// Add adds the squares of the block, filtered by each band, to the bands' sums.
func (b *Bands) Add(x Block) {
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
	return takeSum(b.bank.OfSeries(b.state, channel, band))
}

// TakeSingle is TakeSeries of a band of one section.
func (b *Bands) TakeSingle(channel, band int) float64 {
	return takeSum(b.bank.OfSingle(b.state, channel, band))
}

func takeSum(at *float64) (sum float64) {
	sum, *at = *at, 0
	return sum
}

func (b *Bands) settle() {
	b.grid.empty = true
	for i := range b.state {
		s := &b.state[i]
		for row := range s.S1 {
			for lane := range s.S1[row] {
				s.S1[row][lane], s.S2[row][lane] = settled(s.S1[row][lane]), settled(s.S2[row][lane])
				b.grid.empty = b.grid.empty && s.S1[row][lane] == 0 && s.S2[row][lane] == 0
			}
		}
	}
}
