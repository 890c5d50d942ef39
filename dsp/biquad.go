package dsp

import "github.com/boothbench/boothbench/dsp/vector"

// Biquad is a second-order section with a0 = 1:
//
//	H(z) = (B0 + B1 z⁻¹ + B2 z⁻²) / (1 + A1 z⁻¹ + A2 z⁻²)
//
// A first-order section has B2 = A2 = 0. The zero value is silence, not unity.
type Biquad struct{ B0, B1, B2, A1, A2 float64 }

// Response returns the section's complex gain at a frequency in Hz, for a rate
// in Hz.
func (s Biquad) Response(hz, rate float64) complex128 {
	sin, cos := SincosPi(2 * hz / rate)
	sin2, cos2 := SincosPi(4 * hz / rate)
	polynomial := func(c0, c1, c2 float64) complex128 { // in z⁻¹
		return complex(c0+float64(c1*cos)+float64(c2*cos2), -float64(c1*sin)-float64(c2*sin2))
	}
	return polynomial(s.B0, s.B1, s.B2) / polynomial(1, s.A1, s.A2)
}

// Cascade runs sections in series on each channel of a block.
type Cascade struct {
	sections []Biquad
	kernels  []vector.Section
	state    [][]vector.State // per section, per channel
	channels int
	grid     grid
}

// NewCascade builds a cascade for a number of channels.
func NewCascade(sections []Biquad, channels int) *Cascade {
	c := &Cascade{sections: append([]Biquad(nil), sections...), channels: channels, grid: newGrid()}
	for _, s := range sections {
		c.kernels = append(c.kernels, vector.NewSection(s.B0, s.B1, s.B2, s.A1, s.A2))
		c.state = append(c.state, make([]vector.State, channels))
	}
	return c
}

// Process filters the block in place.
func (c *Cascade) Process(b Block) {
	mustFit(b, c.channels)
	for from, frames := 0, b.Frames(); from < frames; {
		to := c.grid.stretch(b, from)
		if !c.grid.empty {
			vector.Filter(b, from, to, c.kernels, c.state)
		}
		c.ran(to - from)
		from = to
	}
}

// runs reports whether the cascade is one section that is not at rest, and need not be
// settled within the next frames.
func (c *Cascade) runs(frames int) bool {
	return len(c.kernels) == 1 && !c.grid.empty && c.grid.since+frames <= stateGrid
}

// ran counts frames that have passed, and settles the states where that is due.
func (c *Cascade) ran(frames int) {
	if c.grid.advance(frames) {
		c.settle()
	}
}

func (c *Cascade) settle() {
	c.grid.empty = true
	for i := range c.state {
		for ch := range c.state[i] {
			c.grid.empty = settledState(&c.state[i][ch]) && c.grid.empty
		}
	}
}

// Reset clears the filter's memory.
func (c *Cascade) Reset() {
	for i := range c.state {
		clear(c.state[i])
	}
	c.grid = newGrid()
}

// Response returns the cascade's complex gain at a frequency in Hz, for a rate
// in Hz.
func (c *Cascade) Response(hz, rate float64) complex128 {
	re, im := 1.0, 0.0
	for _, s := range c.sections {
		h := s.Response(hz, rate)
		re, im = float64(re*real(h))-float64(im*imag(h)), float64(re*imag(h))+float64(im*real(h))
	}
	return complex(re, im)
}
