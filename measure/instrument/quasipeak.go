package instrument

import (
	"math"
	"math/cmplx"

	"github.com/boothbench/boothbench/measure/internal/spectra"

	"github.com/boothbench/boothbench/measure/internal/weighting"
)

// The quasi-peak meter of Rec. ITU-R BS.468-4. The Recommendation specifies no circuit but the
// readings of tone bursts (Tables 2 and 3), with limits. Two peak detectors in series, each
// with a charge and a discharge time, meet them. The times are fitted to the tables: every
// reading lies within 0.4 of the distance from the reference to its limit. (own fit)
const (
	firstCharge, firstDischarge   = 1.7e-3, 460e-3 // s
	secondCharge, secondDischarge = 184e-3, 79e-3
)

// quasiPeak is the largest reading of the meter after the weighting network, from a frame on.
// It is given as the rms of a steady 1 kHz sine with the same reading (2.6 of the
// Recommendation).
func quasiPeak(x []float64, rate, from int) float64 {
	factor := 1 // to include the peaks between samples
	for rate*factor < 176400 {
		factor *= 2
	}
	sine := make([]float64, 3*rate)
	for n := range sine {
		sine[n] = math.Sqrt2 * math.Sin(2*math.Pi*1000*float64(n)/float64(rate))
	}
	return largestQuasiPeak(sound468(x, rate, factor), rate*factor, from*factor) /
		largestQuasiPeak(sound468(sine, rate, factor), rate*factor, 0)
}

// largestQuasiPeak is the largest reading of the detectors for weighted sound.
func largestQuasiPeak(weighted []float64, rate, from int) float64 {
	part := func(seconds float64) float64 { return 1 - math.Exp(-1/(seconds*float64(rate))) }
	follow := func(state, input, charge, discharge float64) float64 {
		if input > state {
			return state + (input-state)*charge
		}
		return state - state*discharge
	}
	charge1, discharge1, charge2, discharge2 := part(firstCharge), part(firstDischarge), part(secondCharge), part(secondDischarge)
	first, second, largest := 0.0, 0.0, 0.0
	for n, v := range weighted {
		first = follow(first, math.Abs(v), charge1, discharge1)
		second = follow(second, first, charge2, discharge2)
		if n >= from {
			largest = max(largest, second)
		}
	}
	return largest
}

// sound468 is sound after the network of BS.468, which has 0 dB at 1 kHz, at a multiple of its
// rate. It uses the Fourier transform, block by block. A block's margins are discarded, since
// the transform is circular.
func sound468(x []float64, rate, factor int) []float64 {
	const length, margin = 1 << 16, 1 << 12
	small, large := spectra.NewFFT(length), spectra.NewFFT(length*factor)
	gain := make([]complex128, length/2)
	for k := range gain {
		gain[k] = weighting.Network468(float64(k)*float64(rate)/length) / complex(cmplx.Abs(weighting.Network468(1000))*length, 0)
	}
	block, bins := make([]float64, length), make([]complex128, length/2+1)
	wide, sound := make([]complex128, length*factor/2+1), make([]float64, length*factor)
	var out []float64
	for from := 0; from < len(x); from += length - 2*margin {
		clear(block)
		copy(block[max(0, margin-from):], x[max(0, from-margin):])
		small.Coefficients(bins, block)
		for k, g := range gain {
			wide[k] = bins[k] * g
		}
		large.Sequence(sound, wide)
		out = append(out, sound[margin*factor:(length-margin)*factor]...)
	}
	return out[:len(x)*factor]
}
