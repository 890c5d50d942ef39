package proof

import (
	"math"
	"math/cmplx"

	"github.com/boothbench/boothbench/dsp"
)

// The filters that settings describe, in closed form. They judge the coefficients of
// package dsp, and share nothing with them.

// warped is the analogue frequency jω/ω0 that the bilinear transform maps to a digital one;
// ω0 is mapped to hz0.
func warped(hz, hz0 float64, rate int) complex128 {
	return complex(0, math.Tan(math.Pi*hz/float64(rate))/math.Tan(math.Pi*hz0/float64(rate)))
}

// butterworthHighPass is s^n/B_n(s) (Butterworth 1930) by the bilinear transform:
// poles at e^(jπ(2k+n+1)/2n).
func butterworthHighPass(order int, cornerHz float64, rate int) response {
	return func(hz float64) complex128 {
		s := warped(hz, cornerHz, rate)
		h := complex(1, 0)
		for k := range order {
			pole := cmplx.Rect(1, math.Pi*float64(2*k+order+1)/float64(2*order))
			h *= s / (s - pole)
		}
		return h
	}
}

// butterworthPower is the power gain of a Butterworth filter of order 2 by the
// bilinear transform: 1/(1 + Ω⁴) as a low-pass, 1/(1 + Ω⁻⁴) as a high-pass.
func butterworthPower(cornerHz float64, lowPass bool, rate int) func(hz float64) float64 {
	return func(hz float64) float64 {
		omega := math.Tan(math.Pi*hz/float64(rate)) / math.Tan(math.Pi*cornerHz/float64(rate))
		if lowPass {
			return 1 / (1 + math.Pow(omega, 4))
		}
		return 1 / (1 + math.Pow(omega, -4))
	}
}

// cookbookBand is the analogue prototype of the W3C Audio EQ Cookbook: as it is for
// a matched band, by the bilinear transform for a cookbook one.
func cookbookBand(b dsp.Band, design dsp.FilterDesign, rate int) response {
	a, q := complex(math.Pow(10, b.GainDB/40), 0), complex(b.Q, 0)
	if b.GainDB == 0 && b.Shape != dsp.Notch {
		return func(float64) complex128 { return 1 }
	}
	return func(hz float64) complex128 {
		s := complex(0, hz/b.CentreHz)
		if design == dsp.Cookbook {
			s = warped(hz, b.CentreHz, rate)
		}
		root := cmplx.Sqrt(a)
		switch b.Shape {
		case dsp.Bell:
			return (s*s + s*a/q + 1) / (s*s + s/(a*q) + 1)
		case dsp.LowShelf:
			return a * (s*s + root/q*s + a) / (a*s*s + root/q*s + 1)
		case dsp.HighShelf:
			return a * (a*s*s + root/q*s + 1) / (s*s + root/q*s + a)
		default: // Notch
			return (s*s + 1) / (s*s + s/q + 1)
		}
	}
}

// declaredQ is the Q of a bell by its half-gain points, which lie at (√(1+4Q²) ± 1)/2Q times
// the centre in analogue frequency.
func declaredQ(b dsp.Band, design dsp.FilterDesign, rate int) float64 {
	if design == dsp.Matched {
		return b.Q
	}
	half := func(sign float64) float64 {
		analogue := (math.Sqrt(1+4*b.Q*b.Q) + sign) / (2 * b.Q)
		return math.Atan(analogue*math.Tan(math.Pi*b.CentreHz/float64(rate))) * float64(rate) / math.Pi
	}
	low, high := half(-1), half(1)
	return math.Sqrt(low*high) / (high - low)
}

// product is the response of two filters in series.
func product(a, b response) response {
	return func(hz float64) complex128 { return a(hz) * b(hz) }
}
