package dsp

import (
	"math"

	"github.com/boothbench/boothbench/dsp/vector"
)

// stateGrid is the distance in frames between the fixed points, counted from
// Reset, at which recursive states are flushed and non-finite ones reset.
const stateGrid = 256

// grid tracks a filter's position between two of those points.
type grid struct {
	since int  // frames since the last point
	empty bool // every state is 0: silence stays silence
}

func newGrid() grid { return grid{empty: true} }

// stretch returns how far a block can be processed from a frame on before the
// states must be settled. It also detects whether silence continues.
func (g *grid) stretch(b Block, from int) (to int) {
	to = min(b.Frames(), from+stateGrid-g.since)
	g.empty = g.empty && silent(b, from, to)
	return to
}

// advance reports whether the states must be settled now.
func (g *grid) advance(frames int) bool {
	if g.since += frames; g.since == stateGrid {
		g.since = 0
		return true
	}
	return false
}

// silent reports whether a stretch of a block holds nothing but zeros.
func silent(b Block, from, to int) bool {
	var bits uint64
	for _, plane := range b {
		for _, x := range plane[from:to] {
			bits |= math.Float64bits(x)
		}
		if bits != 0 {
			return false
		}
	}
	return true
}

// settledState settles both values of a section's state and reports whether they are 0.
func settledState(s *vector.State) bool {
	s.S1, s.S2 = settled(s.S1), settled(s.S2)
	return s.S1 == 0 && s.S2 == 0
}

// settled returns a recursive state, replaced by zero where it is too small to matter
// (denormal arithmetic is slow) or not finite (it would persist).
func settled(s float64) float64 {
	if s > tinyState || s < -tinyState {
		if s-s == 0 {
			return s
		}
	}
	return 0
}

// tinyState is −600 dBFS: far below any audible or encodable level, far above
// the denormal range (2.2e-308).
const tinyState = 1e-30
