package proof

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// compressed is the attenuation in dB of the static curve with a quadratic knee
// (Giannoulis, Massberg, Reiss, JAES 60(6) 2012, eq. 4).
func compressed(s dsp.CompressorSettings) func(levelDBFS float64) float64 {
	slope := 1 - 1/s.Ratio
	return func(level float64) float64 {
		over := level - s.ThresholdDBFS
		switch {
		case over <= -s.KneeDB/2:
			return 0
		case over < s.KneeDB/2:
			return slope * (over + s.KneeDB/2) * (over + s.KneeDB/2) / (2 * s.KneeDB)
		}
		return slope * over
	}
}

func compressor(s dsp.CompressorSettings, rate int) []experiment {
	attenuation := compressed(s)
	gain := func(peakDBFS float64) float64 { return s.MakeupDB - attenuation(peakDBFS-onPeaks(0, s.Detector)) }
	threshold := onPeaks(s.ThresholdDBFS, s.Detector)
	low, high := threshold-s.KneeDB/2-10, threshold+s.KneeDB/2+15
	settle := settleSeconds(s.AttackMs, s.DetectorWindowMs)
	claims := []Claim{
		within("plateau_gain_db", s.MakeupDB, curveBoundDB, curveWhy),
		atMost("curve_deviation_db", curveBoundDB, curveWhy),
		atMost("unsettled_steps", 0, "a gain that still moves gives no static curve"),
	}
	hz := curveHz(s.SidechainHighPassHz, rate)
	if curved := s.Ratio >= 1.1; curved { // a flatter curve has no knee to find
		claims = append(claims,
			within("compression_threshold_dbfs", threshold, curveBoundDB, curveWhy),
			within("compression_slope", 1/s.Ratio, max(0.01/s.Ratio, 0.002), "1 % of the ratio, or 0.03 dB over the 15 dB of the curve"),
			kneeClaim(s.KneeDB))
	}
	experiments := []experiment{staticCurve(hz, low, high, curveStepDB, settle, false, gain, claims)}
	if s.Ratio < 1.1 {
		return append(experiments, silent(experiments[0].Condition, fmt.Sprintf("a ratio of %g moves the gain too little; curve_deviation_db judges the whole curve", s.Ratio),
			append([]string{"compression_threshold_dbfs", "compression_slope", "compression_knee_db", "detector_crest_db", "channel_gain_difference_db"}, stepTimes...)...))
	}
	if s.SidechainHighPassHz >= 0.2*float64(rate) {
		experiments = append(experiments, silent("a tone at the corner of the detector's high-pass", sidechainTooHigh, "compression_threshold_dbfs"))
	} else if s.SidechainHighPassHz > 0 {
		// At its corner the high-pass gives the detector half the power.
		experiments = append(experiments, staticCurve(s.SidechainHighPassHz, low+sineOverRMS, high+sineOverRMS, curveStepDB, settle, false, nil,
			[]Claim{within("compression_threshold_dbfs", threshold+sineOverRMS, 2*curveBoundDB, atCornerWhy)}))
	}
	experiments = append(experiments, detectorType(s.Detector, threshold+s.KneeDB/2+4, settleSeconds(s.AttackMs+s.ReleaseMs, s.DetectorWindowMs)))
	step, driveDB := dynamicsStep(threshold-s.KneeDB/2-10, threshold+s.KneeDB/2+12, s.AttackMs, s.ReleaseMs, s.HoldMs+s.DetectorWindowMs, rate)
	experiments = append(experiments, timesWithHold(s, step, driveDB, s.Detector == dsp.RMS, s.HoldMs, rate)...)
	return append(experiments, both(s.LinkChannels, threshold+s.KneeDB/2+10, gain))
}

// kneeClaim claims a knee's width. A knee of a few steps of the curve differs from none
// by less than the curve's own error.
func kneeClaim(kneeDB float64) Claim {
	if kneeDB < 3 {
		return Claim{measure.Limit{Reading: "compression_knee_db", Min: new(0.0), Max: new(kneeDB + 1)}, "up to 1 dB more: a narrow knee and a corner look nearly alike"}
	}
	return within("compression_knee_db", kneeDB, 0.8, "0.8 dB: moves no point of the curve by more than 0.1 dB (slope/8 of the knee)")
}

// detectorType claims what a detector measures, at a level at which the gain moves.
func detectorType(d dsp.DetectorKind, peakDBFS, stepSeconds float64) experiment {
	want := sineOverRMS
	if d == dsp.RMS {
		want = 0
	}
	drive := max(0, peakDBFS+5)
	tones := instrument.DetectorType{Tones: stimulus.CrestTones{Hz: 3000, PeakDBFS: peakDBFS - drive, StepSeconds: stepSeconds}, DriveDB: drive}
	return experiment{
		Condition: "two tones and sines of the same rms",
		Claims:    []Claim{within("detector_crest_db", want, 0.3, "a tenth of the 3.01 dB between the two, for what an rms window leaves of the pair's beat")},
		Run:       drivenBy(drive, tones),
	}
}

// dynamicsStep is a step of level, long enough for everything to settle, and the gain in
// front of the device that brings it to its level.
func dynamicsStep(lowDBFS, highDBFS, attackMs, releaseMs, waitMs float64, rate int) (step stimulus.LevelStep, driveDB float64) {
	driveDB = max(0, highDBFS)
	seconds := func(constantMs float64) float64 { return math.Ceil(10*max(0.3, (9*constantMs+2*waitMs)/1000)) / 10 }
	return stimulus.LevelStep{
		// At a quarter of the rate, rounding decides whether a crest is between samples.
		Hz: min(6000, float64(rate)/8), LowDBFS: lowDBFS - driveDB, HighDBFS: highDBFS - driveDB,
		BeforeSeconds: seconds(releaseMs), DuringSeconds: seconds(attackMs), AfterSeconds: 1.5 * seconds(releaseMs),
	}, driveDB
}
