package measure

import (
	"math"
	"sync"

	"github.com/boothbench/boothbench/dsp"
)

// annex2Taps is the interpolating filter of Rec. ITU-R BS.1770-5 Annex 2: its
// phases 0 and 1 as printed, times 8192; phases 3 and 2 are these reversed.
// It is this package's own copy: what judges a limiter shares no coefficients
// with it.
var annex2Taps = [2][12]int{
	{14, 90, -161, 272, -487, 1125, 7964, -838, 390, -218, 122, -68},
	{-239, 240, -424, 730, -1364, 3810, 6388, -1641, 832, -477, 271, -155},
}

func annex2() *dsp.Polyphase {
	rows := make([][]float64, 4)
	for p := range rows {
		rows[p] = make([]float64, 12)
		for k := range rows[p] {
			// Printed in the order of convolution; rows run with time.
			if p < 2 {
				rows[p][11-k] = float64(annex2Taps[p][k]) / 8192
			} else {
				rows[p][k] = float64(annex2Taps[3-p][k]) / 8192
			}
		}
	}
	return bank([]float64{1.0 / 8, 3.0 / 8, 5.0 / 8, 7.0 / 8}, rows)
}

// The fine reading: a sinc of 256 taps under a Kaiser window of β = 10, at 64
// places an interval. It is flat to 0.002 dB up to 0.48 of the rate, and of any
// sound below that its grid misses at most 20 log10 cos(π/128) = 0.003 dB
// (Ehlich and Zeller, 1964).
const (
	finePhases = 64
	fineTaps   = 256
	fineBeta   = 10

	fineBound = "within 0.005 dB of the wave up to 0.48 of the rate"
)

func fineSinc() *dsp.Polyphase {
	rows, positions := make([][]float64, finePhases-1), make([]float64, finePhases-1)
	for p := range rows {
		rows[p] = make([]float64, fineTaps)
		positions[p] = float64(p+1) / finePhases
	}
	for p := 0; p <= finePhases/2-1; p++ {
		for j := range fineTaps {
			t := positions[p] - float64(j-fineTaps/2+1)
			h := sinc(t, fineTaps/2, fineBeta)
			rows[p][j], rows[finePhases-2-p][fineTaps-1-j] = h, h
		}
	}
	return bank(positions, rows)
}

// The resampler's bank: a sinc of 128 taps under a Kaiser window of β = 10, at
// 128 places an interval and at its ends. It is flat to 0.001 dB up to 0.46 of
// the rate, and leaves images at −100 dB.
const (
	resamplerPhases = 128
	resamplerTaps   = 128
	resamplerBeta   = 10
)

var resamplerSinc = sync.OnceValue(func() *dsp.Polyphase { return resampler(resamplerPhases) })

// denseSinc is the same at 512 places, for which a straight line between them will
// do: long sounds take half the time.
var denseSinc = sync.OnceValue(func() *dsp.Polyphase { return resampler(4 * resamplerPhases) })

func resampler(phases int) *dsp.Polyphase {
	rows, positions := make([][]float64, phases+1), make([]float64, phases+1)
	for p := range rows {
		rows[p] = make([]float64, resamplerTaps)
		positions[p] = float64(p) / float64(phases)
	}
	for p := 0; p <= phases/2; p++ {
		for j := range resamplerTaps {
			h := sinc(positions[p]-float64(j-resamplerTaps/2+1), resamplerTaps/2, resamplerBeta)
			rows[p][j], rows[phases-p][resamplerTaps-1-j] = h, h
		}
	}
	return bank(positions, rows)
}

// sinc is sin(πt)/(πt) under a Kaiser window that ends at ±half.
func sinc(t float64, half int, beta float64) float64 {
	if t == math.Trunc(t) { // exactly, so that a sound at a whole delay stays as it is
		if t == 0 {
			return 1
		}
		return 0
	}
	return math.Sin(math.Pi*t) / (math.Pi * t) * kaiser(t/float64(half), beta)
}

// kaiser is the Kaiser window at x from −1 to 1.
func kaiser(x, beta float64) float64 {
	i0 := func(x float64) float64 {
		sum, term := 1.0, 1.0
		for k := 1.0; term > sum*1e-17; k++ {
			term *= x * x / (4 * k * k)
			sum += term
		}
		return sum
	}
	if x*x >= 1 {
		return 0
	}
	return i0(beta*math.Sqrt(1-x*x)) / i0(beta)
}

func bank(positions []float64, rows [][]float64) *dsp.Polyphase {
	b, err := dsp.NewPolyphase(positions, rows)
	if err != nil {
		panic(err) // the rows are constants of this file
	}
	return b
}
