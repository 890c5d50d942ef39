package dsp

import "math"

// Second-order sections by the bilinear transform: Audio EQ Cookbook (W3C Group
// Note, 2021). Frequencies and rates are in Hz, gains in dB; a0 is divided out.

// cookbook holds what the Cookbook's formulas have in common.
type cookbook struct{ cos, alpha float64 }

func newCookbook(hz, q, rate float64) cookbook {
	sin, cos := SincosPi(2 * hz / rate)
	return cookbook{cos, sin / (2 * q)}
}

// section divides by a0.
func section(b0, b1, b2, a0, a1, a2 float64) Biquad {
	return Biquad{b0 / a0, b1 / a0, b2 / a0, a1 / a0, a2 / a0}
}

// CookbookLowPass is a second-order low-pass; its linear gain at hz is q.
func CookbookLowPass(hz, q, rate float64) Biquad {
	d := newCookbook(hz, q, rate)
	return section((1-d.cos)/2, 1-d.cos, (1-d.cos)/2, 1+d.alpha, -2*d.cos, 1-d.alpha)
}

// CookbookHighPass is a second-order high-pass; its linear gain at hz is q.
func CookbookHighPass(hz, q, rate float64) Biquad {
	d := newCookbook(hz, q, rate)
	return section((1+d.cos)/2, -(1 + d.cos), (1+d.cos)/2, 1+d.alpha, -2*d.cos, 1-d.alpha)
}

// CookbookBandPass is a band-pass with a gain of 1 at hz.
func CookbookBandPass(hz, q, rate float64) Biquad {
	d := newCookbook(hz, q, rate)
	return section(d.alpha, 0, -d.alpha, 1+d.alpha, -2*d.cos, 1-d.alpha)
}

// CookbookNotch has a zero at hz and a gain of 1 far from it.
func CookbookNotch(hz, q, rate float64) Biquad {
	d := newCookbook(hz, q, rate)
	return section(1, -2*d.cos, 1, 1+d.alpha, -2*d.cos, 1-d.alpha)
}

// CookbookBell has gainDB at hz and 0 dB far from it.
func CookbookBell(hz, gainDB, q, rate float64) Biquad {
	d := newCookbook(hz, q, rate)
	a := DBToAmplitude(gainDB / 2)
	return section(1+float64(d.alpha*a), -2*d.cos, 1-float64(d.alpha*a), 1+d.alpha/a, -2*d.cos, 1-d.alpha/a)
}

// CookbookLowShelf has gainDB far below hz, half of it at hz, 0 dB far above.
func CookbookLowShelf(hz, gainDB, q, rate float64) Biquad {
	d := newCookbook(hz, q, rate)
	a := DBToAmplitude(gainDB / 2)
	r := float64(2 * math.Sqrt(a) * d.alpha)
	p, m := a+1, a-1
	pc, mc := float64(p*d.cos), float64(m*d.cos)
	return section(a*(p-mc+r), 2*a*(m-pc), a*(p-mc-r), p+mc+r, -2*(m+pc), p+mc-r)
}

// CookbookHighShelf has gainDB far above hz, half of it at hz, 0 dB far below.
func CookbookHighShelf(hz, gainDB, q, rate float64) Biquad {
	d := newCookbook(hz, q, rate)
	a := DBToAmplitude(gainDB / 2)
	r := float64(2 * math.Sqrt(a) * d.alpha)
	p, m := a+1, a-1
	pc, mc := float64(p*d.cos), float64(m*d.cos)
	return section(a*(p+mc+r), -2*a*(m+pc), a*(p+mc-r), p-mc+r, 2*(m-pc), p-mc-r)
}

// ButterworthHighPass is a high-pass of order 1 or more, −3.01 dB at hz, as
// sections for a Cascade. The sections' Qs are those of the Butterworth
// polynomial, 1/(2 cos θ) with the poles' angles θ; the section with the
// highest Q is last.
func ButterworthHighPass(order int, hz, rate float64) []Biquad {
	return butterworth(order, hz, rate, CookbookHighPass, func(k float64) Biquad {
		return section(1, -1, 0, 1+k, k-1, 0)
	})
}

// ButterworthLowPass is the low-pass that corresponds to ButterworthHighPass.
func ButterworthLowPass(order int, hz, rate float64) []Biquad {
	return butterworth(order, hz, rate, CookbookLowPass, func(k float64) Biquad {
		return section(k, k, 0, 1+k, k-1, 0)
	})
}

func butterworth(order int, hz, rate float64, second func(hz, q, rate float64) Biquad, first func(k float64) Biquad) []Biquad {
	var sections []Biquad
	if order%2 != 0 {
		sections = append(sections, first(tanPi(hz/rate)))
	}
	for k := order/2 - 1; k >= 0; k-- {
		// The k-th pair's angle from the negative real axis, outermost at k = 0.
		_, cos := SincosPi(float64(order-1-2*k) / float64(2*order))
		sections = append(sections, second(hz, 1/(2*cos), rate))
	}
	return sections
}
