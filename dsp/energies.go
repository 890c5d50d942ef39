package dsp

import (
	"fmt"

	"github.com/boothbench/boothbench/dsp/vector"
)

// Energies measures the energy of a sound after two filter sections, as K-weighting
// needs. It does not change the sound.
type Energies struct {
	sections      *vector.Quarters
	state, marked []vector.QuartersState // per channel
}

// NewEnergies builds the filter for a number of channels. B0 of neither section may be 0.
func NewEnergies(sections [2]Biquad, channels int) *Energies {
	kernel := func(s Biquad) vector.Section { return vector.NewSection(s.B0, s.B1, s.B2, s.A1, s.A2) }
	return &Energies{
		sections: vector.NewQuarters(kernel(sections[0]), kernel(sections[1])),
		state:    make([]vector.QuartersState, channels), marked: make([]vector.QuartersState, channels),
	}
}

// Add adds to sums, one value for each channel, the sum of the squares of the
// filtered block. The last bits depend on where a sound is cut into blocks: cut it at
// frames that do not depend on how it arrives, 10 ms or so apart. It panics where the block
// or sums have another number of channels than the filter.
func (e *Energies) Add(b Block, sums []float64) {
	mustFit(b, len(e.state))
	if len(sums) != len(b) {
		panic(fmt.Sprintf("dsp: Energies.Add: found %s; accepted: %d", Plural(len(sums), "sum"), len(b)))
	}
	for ch, plane := range b {
		s := &e.state[ch]
		if *s == (vector.QuartersState{}) && silent(b[ch:ch+1], 0, len(plane)) {
			continue
		}
		sums[ch] += e.sections.Energy(plane, s)
		settledState(&s.First)
		settledState(&s.Second)
	}
}

// Mark stores the filter's memory; Return restores it.
func (e *Energies) Mark() { copy(e.marked, e.state) }

// Return restores the filter's memory as of the last Mark.
func (e *Energies) Return() { copy(e.state, e.marked) }
