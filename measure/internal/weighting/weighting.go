package weighting

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// Weightings are evaluated as functions of frequency and applied to spectra:
// the plain bilinear transform of these networks is wrong by decibels near the
// Nyquist frequency, and AES17-2015 5.2.10 allows filters in the frequency
// domain.

// A is the power gain of A-weighting at a frequency in Hz: IEC
// 61672-1:2013, Annex E, 0 dB at 1 kHz.
func A(hz float64) float64 {
	f := hz * hz
	g := f4Squared * f * f / ((f + f1Squared) * math.Sqrt((f+f2Squared)*(f+f3Squared)) * (f + f4Squared))
	return g * g * dsp.DBToPower(1.999656)
}

// C is C-weighting, from the same source.
func C(hz float64) float64 {
	f := hz * hz
	g := f4Squared * f / ((f + f1Squared) * (f + f4Squared))
	return g * g * dsp.DBToPower(0.061902)
}

// The standard's pole frequencies in Hz, squared.
const (
	f1Squared = 20.59899705760 * 20.59899705760
	f2Squared = 107.6526486430 * 107.6526486430
	f3Squared = 737.8622307358 * 737.8622307358
	f4Squared = 12194.21714799 * 12194.21714799
)

// BS468 is the power gain of the weighting network of Rec. ITU-R BS.468-4,
// 0 dB at 1 kHz: the poles of the ladder of its figure 1a, in rad/s, and one
// zero at 0.
func BS468(hz float64) float64 { return raw468(hz) / raw468(1000) }

func raw468(hz float64) float64 {
	h := Network468(hz)
	return real(h)*real(h) + imag(h)*imag(h)
}

// Network468 is the network's complex gain, up to a constant factor.
func Network468(hz float64) complex128 {
	s := complex(0, 2*math.Pi*hz)
	h := s
	for _, pole := range []complex128{
		-25903.70104781628, -62675.1700584679,
		complex(-23615.53521363528, 36379.90893732929), complex(-23615.53521363528, -36379.90893732929),
		complex(-18743.74669072136, 62460.15645250649), complex(-18743.74669072136, -62460.15645250649),
	} {
		h /= (s - pole) / complex(1e4, 0)
	}
	return h
}

// CCIRRMS is the power gain of CCIR-RMS weighting, AES17-2015 5.2.7: the
// network of BS.468 with 0 dB at 2 kHz (5.63 dB less), for true rms.
func CCIRRMS(hz float64) float64 { return raw468(hz) / raw468(2000) }

// AudioBand is the weighting of unweighted noise: 1 from 20 Hz to 20 kHz, else 0.
func AudioBand(hz float64) float64 {
	if hz >= 20 && hz <= 20000 {
		return 1
	}
	return 0
}
