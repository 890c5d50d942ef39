package dsp

// Biquad is a second-order section with a0 = 1:
//
//	H(z) = (B0 + B1 z⁻¹ + B2 z⁻²) / (1 + A1 z⁻¹ + A2 z⁻²)
//
// A first-order section has B2 = A2 = 0. The zero value is silence, not unity.
type Biquad struct{ B0, B1, B2, A1, A2 float64 }

// Response is the section's complex gain at a frequency, for a rate in Hz.
func (s Biquad) Response(hz, rate float64) complex128 {
	sin, cos := sincosPi(2 * hz / rate)
	z1 := complex(cos, -sin) // z⁻¹
	return (complex(s.B0, 0) + z1*(complex(s.B1, 0)+z1*complex(s.B2, 0))) /
		(1 + z1*(complex(s.A1, 0)+z1*complex(s.A2, 0)))
}

// Cascade runs sections one after the other on each channel of a block, in
// transposed direct form II.
type Cascade struct {
	sections  []Biquad
	state     [][]biquadState // per channel, per section
	sinceGrid int             // frames since the last flush of small states
}

type biquadState struct{ s1, s2 float64 }

// stateGrid is the distance in frames between the fixed points, counted from
// Reset, at which recursive states are flushed and healed.
const stateGrid = 256

// NewCascade builds a cascade for a number of channels.
func NewCascade(sections []Biquad, channels int) *Cascade {
	c := &Cascade{sections: append([]Biquad(nil), sections...), state: make([][]biquadState, channels)}
	for ch := range c.state {
		c.state[ch] = make([]biquadState, len(sections))
	}
	return c
}

// Process filters the block in place.
func (c *Cascade) Process(b Block) {
	frames := b.Frames()
	for from := 0; from < frames; {
		to := min(frames, from+stateGrid-c.sinceGrid)
		for ch, plane := range b {
			for i := range c.sections {
				c.sections[i].run(plane[from:to], &c.state[ch][i])
			}
		}
		if c.sinceGrid += to - from; c.sinceGrid == stateGrid {
			c.sinceGrid = 0
			c.settle()
		}
		from = to
	}
}

func (s *Biquad) run(x []float64, state *biquadState) {
	b0, b1, b2, a1, a2 := s.B0, s.B1, s.B2, s.A1, s.A2
	s1, s2 := state.s1, state.s2
	for n, in := range x {
		out := float64(b0*in) + s1
		s1 = float64(b1*in) - float64(a1*out) + s2
		s2 = float64(b2*in) - float64(a2*out)
		x[n] = out
	}
	state.s1, state.s2 = s1, s2
}

func (c *Cascade) settle() {
	for ch := range c.state {
		for i := range c.state[ch] {
			s := &c.state[ch][i]
			s.s1, s.s2 = settled(s.s1), settled(s.s2)
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
	for ch := range c.state {
		clear(c.state[ch])
	}
	c.sinceGrid = 0
}

// Response is the cascade's complex gain at a frequency, for a rate in Hz.
func (c *Cascade) Response(hz, rate float64) complex128 {
	h := complex128(1)
	for _, s := range c.sections {
		h *= s.Response(hz, rate)
	}
	return h
}
