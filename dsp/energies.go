package dsp

import (
	"fmt"

	"github.com/boothbench/boothbench/dsp/vector"
)

// Energies measures the energy of a block after two filter sections, as K-weighting
// needs. It does not change the block.
type Energies struct {
	sections *vector.Doubled
	state    []vector.DoubledState // per channel
	grid     grid

	marked     []vector.DoubledState
	markedGrid grid
}

// NewEnergies builds the filter for a number of channels.
func NewEnergies(sections [2]Biquad, channels int) *Energies {
	kernel := func(s Biquad) vector.Section { return vector.NewSection(s.B0, s.B1, s.B2, s.A1, s.A2) }
	return &Energies{
		sections: vector.NewDoubled(kernel(sections[0]), kernel(sections[1])), state: make([]vector.DoubledState, channels),
		grid: newGrid(), marked: make([]vector.DoubledState, channels), markedGrid: newGrid(),
	}
}

// Add adds to sums, one value for each channel, the sum of the squares of the
// filtered block. It panics where the block or sums have another number of channels
// than the filter.
func (e *Energies) Add(b Block, sums []float64) {
	mustFit(b, len(e.state))
	if len(sums) != len(b) {
		panic(fmt.Sprintf("dsp: Energies.Add: found %s; accepted: %d", Plural(len(sums), "sum"), len(b)))
	}
	for from, frames := 0, b.Frames(); from < frames; {
		to := e.grid.stretch(b, from)
		if !e.grid.empty {
			e.sections.Energy(b, from, to, e.grid.since%2 == 1, e.state, sums)
		}
		if e.grid.advance(to - from) {
			e.settle()
		}
		from = to
	}
}

// Mark stores the filter's memory; Return restores it.
func (e *Energies) Mark() {
	copy(e.marked, e.state)
	e.markedGrid = e.grid
}

// Return restores the filter's memory as of the last Mark.
func (e *Energies) Return() {
	copy(e.state, e.marked)
	e.grid = e.markedGrid
}

func (e *Energies) settle() {
	empty := true
	for ch := range e.state {
		s := &e.state[ch]
		empty = settledState(&s.First) && empty
		empty = settledState(&s.Second) && empty
		s.V, s.W = 0, 0 // skipped silence may end between the frames of a pair
	}
	e.grid.empty = empty
}
