package timemap

import (
	"math"
	"sync"

	"github.com/boothbench/boothbench/dsp"
)

// The interpolator: a sinc of 128 taps with a Kaiser window of β = 10, at 128 places between
// two samples. It is flat within 0.001 dB up to 0.46 of the rate, and attenuates images by
// 100 dB.
const (
	resamplerPhases = 128
	Taps            = 128
	resamplerBeta   = 10
)

var Sinc = sync.OnceValue(func() *dsp.Polyphase { return resampler(resamplerPhases) })

// DenseSinc is the same at 512 places, with linear interpolation between them. It takes half
// the time for long sounds.
var DenseSinc = sync.OnceValue(func() *dsp.Polyphase { return resampler(4 * resamplerPhases) })

func resampler(phases int) *dsp.Polyphase {
	rows, positions := make([][]float64, phases+1), make([]float64, phases+1)
	for p := range rows {
		rows[p] = make([]float64, Taps)
		positions[p] = float64(p) / float64(phases)
	}
	sinc := WindowedSinc(Taps/2, resamplerBeta)
	for p := 0; p <= phases/2; p++ {
		for j := range Taps {
			h := sinc(positions[p] - float64(j-Taps/2+1))
			rows[p][j], rows[phases-p][Taps-1-j] = h, h
		}
	}
	return Bank(positions, rows)
}

// WindowedSinc returns sin(πt)/(πt) under a Kaiser window that ends at ±half, as a
// function of t.
func WindowedSinc(half int, beta float64) func(t float64) float64 {
	middle := bessel(beta)
	return func(t float64) float64 {
		if t == math.Trunc(t) { // exactly, so that a sound at a whole delay stays as it is
			if t == 0 {
				return 1
			}
			return 0
		}
		x := t / float64(half)
		if x*x >= 1 {
			return 0
		}
		return math.Sin(math.Pi*t) / (math.Pi * t) * (bessel(beta*math.Sqrt(1-x*x)) / middle)
	}
}

// bessel is the modified Bessel function of the first kind and order 0, by its series.
func bessel(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > sum*1e-17; k++ {
		term *= x * x / (4 * k * k)
		sum += term
	}
	return sum
}

func Bank(positions []float64, rows [][]float64) *dsp.Polyphase {
	b, err := dsp.NewPolyphase(positions, rows)
	if err != nil {
		panic(err) // the rows are constants of this file
	}
	return b
}
