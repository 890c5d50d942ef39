package dsp

import (
	"math"

	"github.com/boothbench/boothbench/dsp/vector"
)

// approach stores the gains 2^(goal + off·k), 2^(goal + off·k²) … and returns
// the offset that remains. Exponents are 0 to −1000. Most of the cost of a
// dynamics stage is its moving gain, therefore this is Exp2 without the cases
// that cannot occur, with more table steps and fewer terms: within 1e-14 of
// Exp2, or 1e-13 dB.
func approach(gain []float64, goal, off, k float64) float64 {
	return vector.Approach(gain, goal, off, k, &gainTable)
}

// gainTable holds the bits of 2^(i/512).
var gainTable = func() (table [vector.GainSteps]uint64) {
	for i := range table {
		table[i] = math.Float64bits(Exp2(float64(i) / vector.GainSteps))
	}
	return table
}()
