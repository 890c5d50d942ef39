package dsp

import (
	"fmt"
	"math"
	"sync"
)

// annex2 is the first half of the phases of the interpolating filter printed in
// Rec. ITU-R BS.1770-5 (11/2023), Annex 2, times 8192, in the printed order.
// Phases 3 and 2 are phases 0 and 1 reversed.
var annex2 = [2][12]int{
	{14, 90, -161, 272, -487, 1125, 7964, -838, 390, -218, 122, -68},
	{-239, 240, -424, 730, -1364, 3810, 6388, -1641, 832, -477, 271, -155},
}

// Annex2 is the interpolator of the true-peak meter of Rec. ITU-R BS.1770-5
// Annex 2: four rows of 12 taps. The 48-tap filter delays by 23.5 samples of
// the fourfold rate, so its phases read at 1/8, 3/8, 5/8 and 7/8 of an interval
// and never at a sample itself: an impulse of full scale reads −0.245 dBTP.
func Annex2() *Polyphase {
	rows := make([][]float64, 4)
	for p := range rows {
		rows[p] = make([]float64, 12)
	}
	for phase, taps := range annex2 {
		for k, tap := range taps {
			// Printed for convolution: tap k applies to the sample k before the
			// newest, so time order is the reverse.
			rows[phase][11-k] = float64(tap) / 8192
			rows[3-phase][k] = float64(tap) / 8192
		}
	}
	return mustPolyphase([]float64{0.125, 0.375, 0.625, 0.875}, rows)
}

// WindowedSinc is a bank of phases−1 rows that read at 1/phases, 2/phases … of
// an interval. Each row is a sinc of the given even number of taps under a
// Kaiser window of shape beta, centred on the position it reads. (The samples
// themselves are the omitted row.) It panics unless phases and taps are at
// least 2 and taps is even: they are constants of the program, not input.
func WindowedSinc(phases, taps int, beta float64) *Polyphase {
	if phases < 2 || taps < 2 || taps%2 != 0 {
		panic(fmt.Sprintf("interpolator: %d phases of %d taps", phases, taps))
	}
	half, atMiddle := taps/2, besselI0(beta)
	positions, rows := make([]float64, phases-1), make([][]float64, phases-1)
	for p := range rows {
		rows[p] = make([]float64, taps)
	}
	for p := 0; p <= (phases-2)/2; p++ {
		position := float64(p+1) / float64(phases)
		positions[p], positions[phases-2-p] = position, 1-position
		for j := range rows[p] {
			h := windowedSinc(float64(j-half+1)-position, half, beta, atMiddle)
			rows[p][j] = h
			rows[phases-2-p][taps-1-j] = h
		}
		if 2*(p+1) == phases { // the middle row is its own mirror image
			for j := 0; j < half; j++ {
				rows[p][taps-1-j] = rows[p][j]
			}
		}
	}
	return mustPolyphase(positions, rows)
}

// windowedSinc is sinc(t) under a Kaiser window that ends at ±half, before whose division by
// I0(beta) it has the value atMiddle in its middle.
func windowedSinc(t float64, half int, beta, atMiddle float64) float64 {
	u := t / float64(half)
	inside := 1 - float64(u*u)
	if inside < 0 {
		return 0
	}
	sin, _ := SincosPi(t)
	return sin / (math.Pi * t) * besselI0(beta*math.Sqrt(inside)) / atMiddle
}

// besselI0 is the modified Bessel function of the first kind and order zero,
// by its power series Σ ((x/2)^k / k!)². All terms are positive: nothing
// cancels, and the sum stops where terms no longer change it.
func besselI0(x float64) float64 {
	quarter := x * x / 4
	sum, term := 1.0, 1.0
	for k := 1.0; term > sum*1e-18 && k < 1000; k++ {
		term = float64(term * (quarter / (k * k)))
		sum += term
	}
	return sum
}

// annex2Bank and sharedSinc are Annex2 and WindowedSinc, built once: a bank is
// read-only, and building a long one takes a millisecond.
var annex2Bank = sync.OnceValue(Annex2)

func sharedSinc(phases, taps int, beta float64) *Polyphase {
	type design struct {
		phases, taps int
		beta         float64
	}
	return sharedSincs.of(design{phases, taps, beta}, func() *Polyphase { return WindowedSinc(phases, taps, beta) })
}

var sharedSincs = newKept[any, *Polyphase](16)

// mustPolyphase builds a bank whose rows are mirror images by construction.
func mustPolyphase(positions []float64, rows [][]float64) *Polyphase {
	b, err := NewPolyphase(positions, rows)
	if err != nil {
		panic(err)
	}
	return b
}
