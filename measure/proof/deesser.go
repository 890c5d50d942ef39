package proof

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// vowelHz stands for the part of a voice that is no s. Its square has no ripple
// left after a detector's window of 10 ms.
const vowelHz = 200

// gainBoundDB is how far the gain on a steady tone may be off: the ripple of a
// detector that reads mean squares, and the reading's own error of 0.001 dB.
const gainBoundDB = 0.05

const gainWhy = "0.05 dB: the ripple of the detector's mean square; a hundredth of what is heard (common practice, no source)"

// deEsser claims what a de-esser does to an s of a known strength.
func deEsser(s dsp.DeEsserSettings, rate int) []Experiment {
	experiments := []Experiment{{
		Condition: fmt.Sprintf("%d Hz at -20 dBFS: no s in it", vowelHz),
		Claims:    []Claim{within("tone_dbfs", stimulus.DefaultPeakDBFS, gainBoundDB, gainWhy)},
		Run:       with(instrument.HarmonicDistortion{Tone: stimulus.Tone{Hz: vowelHz, PeakDBFS: stimulus.DefaultPeakDBFS, Seconds: 3}}),
	}}
	// Below where it begins, half way down, and so far over that the range ends it:
	// against the whole sound that takes an s alone.
	slope := 1 - 1/s.Ratio
	full := s.RangeDB/slope + 3
	if s.Relative {
		full = math.Inf(1)
	}
	for _, overDB := range []float64{-3, s.RangeDB / slope / 2, full} {
		if x, possible := sibilant(s, rate, overDB); possible {
			experiments = append(experiments, x)
		}
	}
	return experiments
}

// keyPower is the power gain of the key band, two Butterworth filters of order 2.
func keyPower(s dsp.DeEsserSettings, rate int) func(hz float64) float64 {
	low, high := butterworthPower(s.KeyLowHz, false, rate), butterworthPower(s.KeyHighHz, true, rate)
	return func(hz float64) float64 { return low(hz) * high(hz) }
}

// sibilant is a tone at the centre of the bell that is a given number of dB over
// the level at which reduction starts, and comes out lower by the reduction. In
// relative mode a vowel beside it sets that number; for +Inf there is none.
func sibilant(s dsp.DeEsserSettings, rate int, overDB float64) (x Experiment, possible bool) {
	key := keyPower(s, rate)
	alone := stimulus.Tone{Hz: s.CentreHz, PeakDBFS: stimulus.DefaultPeakDBFS, Seconds: 3}
	level, beside := alone.PeakDBFS, ""
	var pair stimulus.TwinTone
	switch {
	case math.IsNaN(overDB): // a ratio of 1
		return x, false
	case !s.Relative && math.IsInf(overDB, 1):
		return x, false
	case !s.Relative:
		level = s.ThresholdDBFS + overDB - 10*math.Log10(key(s.CentreHz)/2)
	case math.IsInf(overDB, 1):
		overDB = 10*math.Log10(key(s.CentreHz)) - s.RelativeDB
	default:
		// key/whole of a vowel of amplitude a and an s of amplitude b.
		want := math.Pow(10, (s.RelativeDB+overDB)/10)
		squared := (key(s.CentreHz) - want) / (want - key(vowelHz)) // (a/b)²
		pair = stimulus.TwinTone{LowHz: vowelHz, HighHz: s.CentreHz, Ratio: math.Sqrt(squared), PeakDBFS: stimulus.DefaultPeakDBFS, Seconds: 3}
		if !(pair.Ratio >= 0.01 && pair.Ratio <= 100) || pair.HighHz < 4*pair.LowHz {
			return x, false
		}
		beside = fmt.Sprintf(", beside %d Hz at %+.1f dB against it", vowelHz, 10*math.Log10(squared))
	}
	reductionDB := max(0, min(s.RangeDB, overDB*(1-1/s.Ratio)))
	x.Condition = fmt.Sprintf("%g Hz, %.1f dB against the level at which reduction starts%s", s.CentreHz, overDB, beside)
	if beside != "" {
		_, high := pair.Amplitudes()
		x.Claims = []Claim{within("high_tone_dbfs", dsp.AmplitudeToDB(high)-reductionDB, gainBoundDB, gainWhy)}
		x.Run = with(instrument.ModulationDistortion{Tones: pair})
		return x, true
	}
	x.Claims = []Claim{within("tone_dbfs", level-reductionDB, gainBoundDB, gainWhy)}
	x.Run = drivenBy(level-alone.PeakDBFS, instrument.HarmonicDistortion{Tone: alone})
	return x, true
}
