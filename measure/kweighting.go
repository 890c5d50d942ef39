package measure

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mat"

	"github.com/boothbench/boothbench/dsp"
)

// KWeighting returns the two sections of the K-weighting filter of Rec. ITU-R
// BS.1770-5 Annex 1 for a rate in Hz.
//
// The Recommendation prints coefficients for 48 kHz and asks for the same
// response at other rates. From 32 kHz on the shelf is the bilinear transform of the
// analogue parameters from which that transform makes the printed coefficients (the
// common derivation of 2011; not in the standard): it stays within 0.011 dB of the
// response at 48 kHz. Below, where the transform shifts the shelf by up to 0.28 dB at
// 8 kHz, its magnitude is fitted to the printed filter's, within 0.007 dB.
func KWeighting(rate float64) [2]dsp.Biquad {
	shelf := bilinearShelf(rate)
	if rate < 32000 {
		if fitted, ok := fittedShelf(rate); ok {
			shelf = fitted
		}
	}
	return [2]dsp.Biquad{shelf, kHighPass(rate)}
}

// bilinearShelf is the first section: at 48 kHz the printed one, to every digit.
func bilinearShelf(rate float64) dsp.Biquad {
	const (
		shelfHz, shelfQ = 1681.974450955533, 0.7071752369554196
		shelfDB         = 3.999843853973347
	)
	k := math.Tan(math.Pi * shelfHz / rate)
	vh := dsp.DBToAmplitude(shelfDB)
	vb := math.Pow(vh, 0.4996667741545416)
	a0 := 1 + k/shelfQ + k*k
	return dsp.Biquad{
		B0: (vh + vb*k/shelfQ + k*k) / a0, B1: 2 * (k*k - vh) / a0, B2: (vh - vb*k/shelfQ + k*k) / a0,
		A1: 2 * (k*k - 1) / a0, A2: (1 - k/shelfQ + k*k) / a0,
	}
}

// kHighPass is the second section. Its numerator, printed as 1, −2, 1, is scaled so
// that its gain at high frequencies is that at 48 kHz.
func kHighPass(rate float64) dsp.Biquad {
	const highHz, highQ = 38.13547087602444, 0.5003270373238773
	denominator := func(rate float64) (a0, a1, a2 float64) {
		k := math.Tan(math.Pi * highHz / rate)
		return 1 + k/highQ + k*k, 2 * (k*k - 1), 1 - k/highQ + k*k
	}
	a0, a1, a2 := denominator(rate)
	at48k, _, _ := denominator(48000)
	g := at48k / a0
	return dsp.Biquad{B0: g, B1: -2 * g, B2: g, A1: a1 / a0, A2: a2 / a0}
}

// fittedShelf is the minimum-phase section whose magnitude is that of the printed
// shelf at 0 Hz and at four shares of the rate. In φ = sin²(πf/rate) the squared
// magnitude of a section is a ratio of quadratics (Vicanek, "Matched Second Order
// Digital Filters", 2016),
//
//	|H|² = (1 + n₁φ + n₂φ²) / (1 + d₁φ + d₂φ²),
//
// so that four frequencies make four linear equations. The shares are those of a grid
// of 0.025 with the smallest error up to 0.45 of the rate, from 8 to 32 kHz.
func fittedShelf(rate float64) (dsp.Biquad, bool) {
	var equations [16]float64
	var right [4]float64
	for i, share := range []float64{0.05, 0.15, 0.275, 0.425} {
		h := cmplx.Abs(bilinearShelf(48000).Response(share*rate, 48000))
		sin := math.Sin(math.Pi * share)
		phi, square := sin*sin, h*h
		copy(equations[4*i:], []float64{phi, phi * phi, -square * phi, -square * phi * phi})
		right[i] = square - 1
	}
	var c mat.VecDense
	if err := c.SolveVec(mat.NewDense(4, 4, equations[:]), mat.NewVecDense(4, right[:])); err != nil {
		return dsp.Biquad{}, false
	}
	b0, b1, b2, ok := minimumPhase(c.AtVec(0), c.AtVec(1))
	a0, a1, a2, stable := minimumPhase(c.AtVec(2), c.AtVec(3))
	return dsp.Biquad{B0: b0 / a0, B1: b1 / a0, B2: b2 / a0, A1: a1 / a0, A2: a2 / a0}, ok && stable
}

// minimumPhase is the polynomial in 1/z, its zeros inside the unit circle, whose
// squared magnitude is 1 + p₁φ + p₂φ². Its values at z = 1 and z = −1 are the roots of
// those at φ = 0 and φ = 1, and the product of its outer coefficients is p₂/16.
func minimumPhase(p1, p2 float64) (c0, c1, c2 float64, ok bool) {
	top := 1 + p1 + p2
	if !(top > 0) {
		return 0, 0, 0, false
	}
	sum := (1 + math.Sqrt(top)) / 2 // of the outer coefficients
	rest := sum*sum/4 - p2/16
	if !(rest >= 0) {
		return 0, 0, 0, false
	}
	c0 = sum/2 + math.Sqrt(rest)
	c1, c2 = (1-math.Sqrt(top))/2, sum-c0
	return c0, c1, c2, math.Abs(c2) < c0 && math.Abs(c1) < c0+c2
}
