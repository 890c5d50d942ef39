package dsp

import "github.com/boothbench/boothbench/dsp/vector"

// Energies filters with two sections, as K-weighting has, and gives the energy of what
// comes out. It leaves the sound as it is.
type Energies struct {
	sections *vector.Doubled
	state    []vector.DoubledState // per channel
	grid     grid

	marked     []vector.DoubledState
	markedGrid grid
}

// NewEnergies makes it for a number of channels.
func NewEnergies(sections [2]Biquad, channels int) *Energies {
	kernel := func(s Biquad) vector.Section { return vector.NewSection(s.B0, s.B1, s.B2, s.A1, s.A2) }
	return &Energies{
		sections: vector.NewDoubled(kernel(sections[0]), kernel(sections[1])), state: make([]vector.DoubledState, channels),
		grid: newGrid(), marked: make([]vector.DoubledState, channels), markedGrid: newGrid(),
	}
}

// Add adds to sums, one for each channel, the squares of the block filtered.
func (e *Energies) Add(b Block, sums []float64) {
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

// Mark keeps the filter's memory, and Return goes back to it.
func (e *Energies) Mark() {
	copy(e.marked, e.state)
	e.markedGrid = e.grid
}

// Return makes the filter as it was at the last Mark.
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
		s.V, s.W = 0, 0 // silence that is passed over may end between the frames of a pair
	}
	e.grid.empty = empty
}
