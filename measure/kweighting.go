package measure

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// kWeighting returns the two sections of the K-weighting filter of Rec. ITU-R
// BS.1770-5 Annex 1 for a rate in Hz.
//
// The Recommendation prints coefficients for 48 kHz and asks for the same
// response elsewhere. These are the analogue parameters from which the bilinear
// transform makes the printed ones, to every digit (the common derivation of
// 2011; not in the standard). The high-pass's numerator, printed as 1, −2, 1,
// is scaled so that its gain at high frequencies is that at 48 kHz.
func kWeighting(rate float64) []dsp.Biquad {
	const (
		shelfHz, shelfQ = 1681.974450955533, 0.7071752369554196
		shelfDB         = 3.999843853973347
		highHz, highQ   = 38.13547087602444, 0.5003270373238773
	)
	k := math.Tan(math.Pi * shelfHz / rate)
	vh := dsp.DBToAmplitude(shelfDB)
	vb := math.Pow(vh, 0.4996667741545416)
	a0 := 1 + k/shelfQ + k*k
	shelf := dsp.Biquad{
		B0: (vh + vb*k/shelfQ + k*k) / a0, B1: 2 * (k*k - vh) / a0, B2: (vh - vb*k/shelfQ + k*k) / a0,
		A1: 2 * (k*k - 1) / a0, A2: (1 - k/shelfQ + k*k) / a0,
	}
	denominator := func(rate float64) (a0, a1, a2 float64) {
		k := math.Tan(math.Pi * highHz / rate)
		return 1 + k/highQ + k*k, 2 * (k*k - 1), 1 - k/highQ + k*k
	}
	a0, a1, a2 := denominator(rate)
	at48k, _, _ := denominator(48000)
	g := at48k / a0
	return []dsp.Biquad{shelf, {B0: g, B1: -2 * g, B2: g, A1: a1 / a0, A2: a2 / a0}}
}

// Speaker positions of WAVE_FORMAT_EXTENSIBLE's channel mask, in the order of
// its bits.
const (
	frontLeft = iota
	frontRight
	frontCentre
	lowFrequency
	backLeft
	backRight
	frontLeftOfCentre
	frontRightOfCentre
	backCentre
	sideLeft
	sideRight
)

// channelWeights returns the weight of each channel (BS.1770-5 Annex 1 Table 3
// and Annex 3 Table 4): 1.41 for sound from 60° to 120° to the side, none for
// low-frequency effects, else 1.
//
// In the layout of five main channels (5.1) the surrounds stand at ±110°
// whether the mask calls them back or side; with both, the back ones stand at
// ±135°. Without a mask, 5 and 6 channels are taken as L R C (LFE) Ls Rs and
// any other number as front channels.
func channelWeights(channels int, mask uint32) []float64 {
	weights := make([]float64, channels)
	for c := range weights {
		weights[c] = 1
	}
	const surround = 1.41
	if mask == 0 {
		switch channels {
		case 5:
			weights[3], weights[4] = surround, surround
		case 6:
			weights[3], weights[4], weights[5] = 0, surround, surround
		}
		return weights
	}
	hasSides := mask&(1<<sideLeft|1<<sideRight) != 0
	c := 0
	for bit := 0; bit < 32 && c < channels; bit++ {
		if mask>>bit&1 == 0 {
			continue
		}
		switch bit {
		case lowFrequency:
			weights[c] = 0
		case sideLeft, sideRight:
			weights[c] = surround
		case backLeft, backRight:
			if !hasSides {
				weights[c] = surround
			}
		}
		c++
	}
	return weights
}
