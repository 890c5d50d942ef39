package proof

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/proof/model"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// vowelHz is a tone that stands for the vowels of a voice. A detector's window of 10 ms
// leaves no ripple of its square.
const vowelHz = 200

// gainBoundDB is how far the gain on a steady tone may be off: the ripple of a
// detector that reads mean squares, and the reading's own error of 0.001 dB.
const gainBoundDB = 0.05

const gainWhy = "0.05 dB: the ripple of the detector's mean square; a hundredth of what is audible (common practice, no source)"

// deEsser claims a de-esser's reduction of a sibilant of a known level.
func deEsser(s dsp.DeEsserSettings, rate int) []experiment {
	experiments := []experiment{{
		Condition: fmt.Sprintf("%d Hz at -20 dBFS, without an s", vowelHz),
		Claims:    []Claim{within("tone_dbfs", stimulus.DefaultPeakDBFS, gainBoundDB, gainWhy)},
		Run:       with(instrument.HarmonicDistortion{Tone: stimulus.Tone{Hz: vowelHz, PeakDBFS: stimulus.DefaultPeakDBFS, Seconds: 3}}),
	}}
	// Below where reduction begins, half way down, and so far over that the range limits
	// it, for which in relative mode an s alone is needed.
	slope := 1 - 1/s.Ratio
	full := s.RangeDB/slope + 3
	if s.Relative {
		full = math.Inf(1)
	}
	for _, overDB := range []float64{-3, s.RangeDB / slope / 2, full} {
		experiments = append(experiments, sibilant(s, rate, overDB))
	}
	experiments = append(experiments, sibilantBeside(s, rate))
	if s.Relative {
		experiments = append(experiments, silent("steps of level", "with relative_db a single tone shows neither times nor linking; the speech below does", append([]string{"channel_gain_difference_db"}, stepTimes...)...))
	} else {
		experiments = append(experiments, sibilantTimes(s, rate)...)
		experiments = append(experiments, sibilantLink(s, rate))
	}
	// Times, linking and width relative to the whole sound show only in a mixture of
	// voice and s.
	p := &programme{chain: model.Chain{Settings: []any{s}}, channels: 2}
	return append(experiments, p.exact())
}

// besideReductionDB is the least reduction at which the width of the bell can be
// measured.
const besideReductionDB = 2

// sibilantBeside is a tone beside the bell's centre, where its band-pass has half the
// power: what comes out there is 1 + (g − 1)·B with B = (1 ± j)/2.
func sibilantBeside(s dsp.DeEsserSettings, rate int) experiment {
	key := keyPower(s, rate)
	best, hz := 0.0, 0.0
	level := float64(stimulus.DefaultPeakDBFS)
	reduction := func(hz float64) float64 {
		over := 10*math.Log10(key(hz)) - s.RelativeDB
		if !s.Relative {
			over = level + 10*math.Log10(key(hz)/2) - s.ThresholdDBFS
		}
		return max(0, min(s.RangeDB, over*(1-1/s.Ratio)))
	}
	if !s.Relative { // so loud that the range limits the reduction
		level = s.ThresholdDBFS + s.RangeDB/(1-1/s.Ratio) + 6 - 10*math.Log10(key(s.CentreHz)/2)
	}
	for _, side := range []float64{-1, 1} {
		// |B|² is 1/2 where Q·(Ω − 1/Ω) is ±1, in the analogue frequency Ω.
		analogue := math.Sqrt(1+1/(4*s.Q*s.Q)) + side/(2*s.Q)
		at := math.Atan(analogue*math.Tan(math.Pi*s.CentreHz/float64(rate))) * float64(rate) / math.Pi
		if r := reduction(at); r > best && at > 100 && at < 0.45*float64(rate) {
			best, hz = r, at
		}
	}
	if best < besideReductionDB || level-60 > 0 {
		return silent("a tone beside the bell's centre", fmt.Sprintf("the reduction there is less than %d dB, or no level of the tone gives it", besideReductionDB), "tone_dbfs")
	}
	tone := stimulus.Tone{Hz: hz, PeakDBFS: stimulus.DefaultPeakDBFS, Seconds: 3}
	g := math.Pow(10, -best/20)
	gain := 20 * math.Log10(math.Hypot(1+(g-1)/2, (g-1)/2))
	return experiment{
		Condition: fmt.Sprintf("%.0f Hz, beside the bell's centre, where its band-pass has half the power", hz),
		Claims:    []Claim{within("tone_dbfs", level+gain, gainBoundDB, gainWhy)},
		Run:       drivenBy(level-tone.PeakDBFS, instrument.HarmonicDistortion{Tone: tone}),
	}
}

// sibilantTimes claims attack and release of an s that comes and goes. The tone of a step
// of level has a whole number of frames in its period: of these the nearest to the bell's
// centre is taken.
func sibilantTimes(s dsp.DeEsserSettings, rate int) []experiment {
	step := stimulus.LevelStep{Hz: s.CentreHz}
	step.Hz = float64(rate) / float64(step.Period(rate))
	key := keyPower(s, rate)(step.Hz)
	if key < 0.1 || step.Hz > 0.45*float64(rate) {
		return []experiment{silent(fmt.Sprintf("%.0f Hz, stepped", step.Hz), "no tone with a whole number of frames in its period lies near the bell's centre and within the key band", stepTimes...)}
	}
	threshold := s.ThresholdDBFS - 10*math.Log10(key/2) // peak of a tone there
	timed, driveDB := dynamicsStep(threshold-6, threshold+s.RangeDB/(1-1/s.Ratio)/2, s.AttackMs, s.ReleaseMs, 10, rate)
	timed.Hz = step.Hz
	return times(s, timed, driveDB, true, rate)
}

// sibilantLink claims that an s in one channel lowers both, if they are linked.
func sibilantLink(s dsp.DeEsserSettings, rate int) experiment {
	key := keyPower(s, rate)(s.CentreHz)
	over := min(6, s.RangeDB/(1-1/s.Ratio)/2)
	loud := s.ThresholdDBFS - 10*math.Log10(key/2) + over
	if !(over >= 1) || math.IsInf(loud, 0) {
		return silent("two tones, one in each channel", "ratio or range leave too little reduction to compare", "channel_gain_difference_db")
	}
	x := both(s.LinkChannels, loud, func(peakDBFS float64) float64 {
		return -max(0, peakDBFS-loud+over) * (1 - 1/s.Ratio)
	})
	x.Condition = fmt.Sprintf("%.0f Hz, left at %.1f dBFS, right 12 dB lower", s.CentreHz, loud)
	x.Run = drivenBy(max(0, loud), instrument.ChannelLink{Tones: stimulus.LinkTones{
		Hz: s.CentreHz, LeftDBFS: min(0, loud), RightDBFS: min(0, loud) - 12, Seconds: 3,
	}})
	return x
}

// keyPower is the power gain of the key band, two Butterworth filters of order 2.
func keyPower(s dsp.DeEsserSettings, rate int) func(hz float64) float64 {
	low, high := butterworthPower(s.KeyLowHz, false, rate), butterworthPower(s.KeyHighHz, true, rate)
	return func(hz float64) float64 { return low(hz) * high(hz) }
}

// sibilant is a tone at the centre of the bell that is a given number of dB over
// the level at which reduction starts, and comes out lower by the reduction. In
// relative mode a vowel beside it sets that number; for +Inf there is none.
func sibilant(s dsp.DeEsserSettings, rate int, overDB float64) (x experiment) {
	key := keyPower(s, rate)
	alone := stimulus.Tone{Hz: s.CentreHz, PeakDBFS: stimulus.DefaultPeakDBFS, Seconds: 3}
	level, beside := alone.PeakDBFS, ""
	var pair stimulus.TwinTone
	switch {
	case math.IsNaN(overDB), !s.Relative && math.IsInf(overDB, 1):
		return silent(fmt.Sprintf("%g Hz", s.CentreHz), "a ratio of 1 never reaches the range", "tone_dbfs")
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
			return silent(fmt.Sprintf("%g Hz, %.1f dB against the level at which reduction starts, beside %d Hz", s.CentreHz, overDB, vowelHz),
				"no ratio of the two levels gives that", "high_tone_dbfs")
		}
		beside = fmt.Sprintf(", beside %d Hz at %+.1f dB against it", vowelHz, 10*math.Log10(squared))
	}
	reductionDB := max(0, min(s.RangeDB, overDB*(1-1/s.Ratio)))
	x.Condition = fmt.Sprintf("%g Hz, %.1f dB against the level at which reduction starts%s", s.CentreHz, overDB, beside)
	if beside != "" {
		_, high := pair.Amplitudes()
		x.Claims = []Claim{within("high_tone_dbfs", dsp.AmplitudeToDB(high)-reductionDB, gainBoundDB, gainWhy)}
		x.Run = with(instrument.ModulationDistortion{Tones: pair})
		return x
	}
	x.Claims = []Claim{within("tone_dbfs", level-reductionDB, gainBoundDB, gainWhy)}
	x.Run = drivenBy(level-alone.PeakDBFS, instrument.HarmonicDistortion{Tone: alone})
	return x
}
