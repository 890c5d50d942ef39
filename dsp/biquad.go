package dsp

import (
	"math"

	"github.com/boothbench/boothbench/dsp/vector"
)

// Biquad is a second-order section with a0 = 1:
//
//	H(z) = (B0 + B1 z⁻¹ + B2 z⁻²) / (1 + A1 z⁻¹ + A2 z⁻²)
//
// A first-order section has B2 = A2 = 0. The zero value is silence, not unity.
type Biquad struct{ B0, B1, B2, A1, A2 float64 }

// Response is the section's complex gain at a frequency, for a rate in Hz.
func (s Biquad) Response(hz, rate float64) complex128 {
	sin, cos := SincosPi(2 * hz / rate)
	sin2, cos2 := SincosPi(4 * hz / rate)
	polynomial := func(c0, c1, c2 float64) complex128 { // in z⁻¹
		return complex(c0+float64(c1*cos)+float64(c2*cos2), -float64(c1*sin)-float64(c2*sin2))
	}
	return polynomial(s.B0, s.B1, s.B2) / polynomial(1, s.A1, s.A2)
}

// Cascade runs sections one after the other on each channel of a block.
type Cascade struct {
	sections  []Biquad
	kernels   []vector.Section
	state     [][]vector.State // per section, per channel
	sinceGrid int              // frames since the last flush of small states
	empty     bool             // every state is 0: silence stays silence
}

// stateGrid is the distance in frames between the fixed points, counted from
// Reset, at which recursive states are flushed and healed.
const stateGrid = 256

// NewCascade builds a cascade for a number of channels.
func NewCascade(sections []Biquad, channels int) *Cascade {
	c := &Cascade{sections: append([]Biquad(nil), sections...), empty: true}
	for _, s := range sections {
		c.kernels = append(c.kernels, vector.NewSection(s.B0, s.B1, s.B2, s.A1, s.A2))
		c.state = append(c.state, make([]vector.State, channels))
	}
	return c
}

// Process filters the block in place.
func (c *Cascade) Process(b Block) {
	for from, frames := 0, b.Frames(); from < frames; {
		to := c.stretch(b, from)
		if !c.empty {
			vector.Filter(b, from, to, c.kernels, c.state)
		}
		c.advance(to - from)
		from = to
	}
}

// Energy filters the block as Process does, but leaves it as it is: to sums, one for
// each channel, it adds the squares of what comes out. The cascade has two sections,
// as K-weighting has.
func (c *Cascade) Energy(b Block, sums []float64) {
	for from, frames := 0, b.Frames(); from < frames; {
		to := c.stretch(b, from)
		if !c.empty {
			vector.Energy(b, from, to, c.kernels, c.state, sums)
		}
		c.advance(to - from)
		from = to
	}
}

// stretch is up to where a block can be worked on before the states are looked
// after, from a frame on. It finds out whether silence goes on.
func (c *Cascade) stretch(b Block, from int) (to int) {
	to = min(b.Frames(), from+stateGrid-c.sinceGrid)
	c.empty = c.empty && silent(b, from, to)
	return to
}

// advance looks after the states where it is time to.
func (c *Cascade) advance(frames int) {
	if c.sinceGrid += frames; c.sinceGrid == stateGrid {
		c.sinceGrid = 0
		c.settle()
	}
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

func (c *Cascade) settle() {
	c.empty = true
	for i := range c.state {
		for ch := range c.state[i] {
			s := &c.state[i][ch]
			s.S1, s.S2 = settled(s.S1), settled(s.S2)
			c.empty = c.empty && s.S1 == 0 && s.S2 == 0
		}
	}
}

// settled returns a recursive state made safe: zero where it is too small to
// matter (denormal arithmetic is slow) or not finite (it would stay for ever).
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

// Reset clears the filter's memory.
func (c *Cascade) Reset() {
	for i := range c.state {
		clear(c.state[i])
	}
	c.sinceGrid, c.empty = 0, true
}

// Response is the cascade's complex gain at a frequency, for a rate in Hz.
func (c *Cascade) Response(hz, rate float64) complex128 {
	re, im := 1.0, 0.0
	for _, s := range c.sections {
		h := s.Response(hz, rate)
		re, im = float64(re*real(h))-float64(im*imag(h)), float64(re*imag(h))+float64(im*real(h))
	}
	return complex(re, im)
}
