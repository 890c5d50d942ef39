package measure

import (
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/timemap"
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
	return timemap.Bank([]float64{1.0 / 8, 3.0 / 8, 5.0 / 8, 7.0 / 8}, rows)
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
	sinc := timemap.WindowedSinc(fineTaps/2, fineBeta)
	for p := 0; p <= finePhases/2-1; p++ {
		for j := range fineTaps {
			t := positions[p] - float64(j-fineTaps/2+1)
			h := sinc(t)
			rows[p][j], rows[finePhases-2-p][fineTaps-1-j] = h, h
		}
	}
	return timemap.Bank(positions, rows)
}
