package model

import (
	"math"
	"math/cmplx"
	"slices"

	"github.com/boothbench/boothbench/dsp"
)

// quadratic is a + b·s + c·s² in the analogue frequency s = jf/f0.
type quadratic struct{ a, b, c float64 }

// section is a filter of order 2 in z: numerator, denominator.
type section struct{ num, den [3]float64 }

// bilinear turns a ratio of quadratics into a section: s is (1 − 1/z)/(1 + 1/z)
// over the tangent of half the angle of f0.
func bilinear(num, den quadratic, hz0 float64, rate int) section {
	k := math.Tan(math.Pi * hz0 / float64(rate))
	z := func(q quadratic) [3]float64 {
		a, b, c := q.a*k*k, q.b*k, q.c
		return [3]float64{a + b + c, 2*a - 2*c, a - b + c}
	}
	s := section{z(num), z(den)}
	a0 := s.den[0]
	for i := range s.num {
		s.num[i] /= a0
		s.den[i] /= a0
	}
	return s
}

// filtered is a sound through sections in series, from rest: each in direct form II
// transposed.
func filtered(x []float64, sections []section) []float64 {
	y := slices.Clone(x)
	for _, s := range sections {
		var s1, s2 float64
		for n, v := range y {
			w := s.num[0]*v + s1
			s1 = s.num[1]*v - s.den[1]*w + s2
			s2 = s.num[2]*v - s.den[2]*w
			y[n] = w
		}
	}
	return y
}

// butterworth is a filter of an order, from its poles on the unit circle
// (Butterworth 1930): e^(jπ(2k+n+1)/2n), in pairs.
func butterworth(order int, cornerHz float64, highPass bool, rate int) (all []section) {
	num := func(order int) quadratic {
		switch {
		case !highPass:
			return quadratic{a: 1}
		case order == 1:
			return quadratic{b: 1}
		}
		return quadratic{c: 1}
	}
	for k := range order / 2 {
		pole := cmplx.Rect(1, math.Pi*float64(2*k+order+1)/float64(2*order))
		all = append(all, bilinear(num(2), quadratic{1, -2 * real(pole), 1}, cornerHz, rate))
	}
	if order%2 == 1 {
		all = append(all, bilinear(num(1), quadratic{1, 1, 0}, cornerHz, rate))
	}
	return all
}

// cookbook is a band of the W3C Audio EQ Cookbook, from its analogue prototype.
func cookbook(b dsp.Band, rate int) section {
	a, q := math.Pow(10, b.GainDB/40), b.Q
	root := math.Sqrt(a)
	switch b.Shape {
	case dsp.Bell:
		return bilinear(quadratic{1, a / q, 1}, quadratic{1, 1 / (a * q), 1}, b.CentreHz, rate)
	case dsp.LowShelf:
		return bilinear(quadratic{a * a, a * root / q, a}, quadratic{1, root / q, a}, b.CentreHz, rate)
	case dsp.HighShelf:
		return bilinear(quadratic{a, a * root / q, a * a}, quadratic{a, root / q, 1}, b.CentreHz, rate)
	default: // Notch
		return bilinear(quadratic{1, 0, 1}, quadratic{1, 1 / q, 1}, b.CentreHz, rate)
	}
}

// bandPass has a gain of 1 at its centre.
func bandPass(hz, q float64, rate int) section {
	return bilinear(quadratic{0, 1 / q, 0}, quadratic{1, 1 / q, 1}, hz, rate)
}

// filter is a stage of sections.
type filter struct{ sections []section }

func (filter) latency() int { return 0 }

func (f filter) run(in dsp.Block) dsp.Block {
	out := make(dsp.Block, len(in))
	for c := range in {
		out[c] = filtered(in[c], f.sections)
	}
	return out
}

// matched are the bands of an equaliser as the engine has them.
type matched struct{ equaliser *dsp.Equaliser }

func newEqualiser(s dsp.EqualiserSettings, rate, channels int) (stage, error) {
	s = s.At(rate)
	if s.Design == dsp.Matched {
		e, err := dsp.NewEqualiser(s, rate, channels)
		return matched{e}, err
	}
	var f filter
	for _, b := range s.Bands {
		f.sections = append(f.sections, cookbook(b, rate))
	}
	return f, nil
}

func (matched) latency() int { return 0 }

func (m matched) run(in dsp.Block) dsp.Block {
	out := make(dsp.Block, len(in))
	for c := range in {
		out[c] = slices.Clone(in[c])
	}
	m.equaliser.Process(out)
	return out
}

// each is a factor and a delay for the channels of a list, counted from 1; all where the
// list is empty.
type each struct {
	channels []int
	factor   float64
	frames   int
}

func newEach(channels []int, factor float64, frames int) each { return each{channels, factor, frames} }

// latency is 0: a delay that is set is not latency.
func (each) latency() int { return 0 }

func (e each) run(in dsp.Block) dsp.Block {
	out := make(dsp.Block, len(in))
	for c, plane := range in {
		out[c] = slices.Clone(plane)
		if len(e.channels) > 0 && !slices.Contains(e.channels, c+1) {
			continue
		}
		clear(out[c])
		for n := e.frames; n < len(plane); n++ {
			out[c][n] = e.factor * plane[n-e.frames]
		}
	}
	return out
}

// decibels is the amplitude ratio of a level in dB.
func decibels(db float64) float64 { return math.Pow(10, db/20) }
