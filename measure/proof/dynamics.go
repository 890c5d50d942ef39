package proof

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/proof/model"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// What compressors and expanders share.

// sineOverRMS is the difference in dB between the peak of a sine and its rms: the levels
// of a static curve are peaks, those of an rms detector are not.
var sineOverRMS = 10 * math.Log10(2)

// onPeaks converts a level of a stage's detector to the peak of a sine.
func onPeaks(dbfs float64, detector dsp.DetectorKind) float64 {
	if detector == dsp.RMS {
		return dbfs + sineOverRMS
	}
	return dbfs
}

// curveHz is a frequency that a high-pass in the detector's path does not affect:
// ten times its corner, where it attenuates by 0.0004 dB.
func curveHz(sidechainHz float64, rate int) float64 {
	return min(max(stimulus.StandardHz, 10*sidechainHz), 0.2*float64(rate))
}

// holdMoments are further lengths of the high level of a step, each longer than the first
// by so many holds: after any length, release begins a hold after the end of that level.
var holdMoments = []float64{0.23, 0.5, 0.81}

// timesWithHold are times, and when release begins after steps of other lengths.
func timesWithHold(settings any, step stimulus.LevelStep, driveDB float64, rms bool, holdMs float64, rate int) []experiment {
	all := times(settings, step, driveDB, rms, rate)
	if holdMs == 0 || len(all[0].Claims) == 0 {
		return all
	}
	for _, share := range holdMoments {
		later := step
		later.DuringSeconds += share * holdMs / 1000
		for _, x := range times(settings, later, driveDB, rms, rate) {
			x.Condition += fmt.Sprintf(", after %.3f s", later.DuringSeconds)
			begins := func(reading string) bool { return reading == "release_begins_ms" || reading == "attack_begins_ms" }
			x.Claims = slices.DeleteFunc(x.Claims, func(c Claim) bool { return !begins(c.Reading) })
			x.unclaimed = slices.DeleteFunc(x.unclaimed, func(o omission) bool { return !begins(o.reading) })
			all = append(all, x)
		}
	}
	return all
}

// staticCurve is the experiment of a stepped tone between two levels. Levels above full
// scale are made by a gain in front of the device.
func staticCurve(hz, fromDBFS, toDBFS, stepDB, stepSeconds float64, back bool, declared func(float64) float64, claims []Claim) experiment {
	drive := max(0, toDBFS)
	curve := instrument.StaticCurve{
		Tone:     stimulus.SteppedTone{Hz: hz, FromDBFS: fromDBFS - drive, ToDBFS: toDBFS - drive, StepDB: stepDB, StepSeconds: stepSeconds, Back: back},
		DriveDB:  drive,
		Declared: declared,
	}
	x := experiment{
		Condition: fmt.Sprintf("%.0f Hz in steps of %g dB from %.1f to %.1f dBFS", hz, stepDB, fromDBFS, toDBFS),
		Claims:    claims,
		Run:       drivenBy(drive, curve),
	}
	if declared != nil {
		x.curve = &curveOf{curve, func(d instrument.Device) instrument.Device { return instrument.Driven{Device: d, DriveDB: drive} }, declared}
	}
	return x
}

const (
	curveStepDB  = 0.5
	curveBoundDB = 0.05
	curveWhy     = "0.05 dB: five times the movement up to which a step counts as settled"
)

// atCornerWhy is the reason of the tolerance of a threshold at the corner of the
// detector's high-pass.
const atCornerWhy = "3.01 dB at the corner of the detector's high-pass; " + curveWhy + ", twice"

const sidechainTooHigh = "the corner lies over a fifth of the rate, where the tone has too few samples a period"

// settleSeconds is a length of step at which a change of the gain has settled to a
// thousandth within the two fifths of the step before it is read.
func settleSeconds(constantMs, windowMs float64) float64 {
	return min(60, max(0.3, 2.5*(7*constantMs+2*windowMs)/1000))
}

// stepTimes are the readings of a step of level that are claimed.
var stepTimes = []string{
	"attack_ms", "attack_10_90_ms", "attack_within_2db_ms", "attack_begins_ms",
	"release_ms", "release_10_90_ms", "release_within_2db_ms", "release_begins_ms",
}

// times claims, of a step of level, what a plain model of the settings gives, so that
// each definition of attack and release has its own figure, and the detector's window and
// side chain count. A gain in front of the device makes levels above full scale. Where
// the gain of the model does not move, nothing is claimed.
func times(settings any, step stimulus.LevelStep, driveDB float64, rms bool, rate int) []experiment {
	read := drivenBy(driveDB, instrument.StepResponse{Step: step})
	x := experiment{
		Condition: fmt.Sprintf("%.0f Hz from %.1f to %.1f dBFS and back", float64(rate)/float64(step.Period(rate)), step.LowDBFS+driveDB, step.HighDBFS+driveDB),
		Run:       read,
	}
	readings, err := read(context.Background(), model.Chain{Settings: []any{settings}}, rate)
	if err != nil {
		return []experiment{silent(x.Condition, "for a plain model of the settings: "+err.Error(), stepTimes...)}
	}
	// A time between two points of a gain is read to two frames; one that counts from the
	// step of level also to the first crest of the new level. An rms detector is read every
	// half millisecond.
	between, fromStep := 2000/float64(rate), 1000*float64(step.Period(rate)/2+1)/float64(rate)
	why, whyStep := "1 % and two frames", "1 % and half a period of the tone, within which its first crest lies"
	if rms {
		between, fromStep = 0.5, 0.5
		why = "1 %, and the half millisecond at which the detector is read"
		whyStep = why
	}
	for _, name := range stepTimes {
		want, _ := readings.Get(name)
		grain, text := between, why
		if strings.HasSuffix(name, "_begins_ms") || strings.HasSuffix(name, "_within_2db_ms") {
			grain, text = fromStep, whyStep
		}
		if want.Measurable() {
			x.Claims = append(x.Claims, within(name, want.Value, grain+0.01*math.Abs(want.Value), "from a plain model of the settings; "+text))
		} else {
			x.unclaimed = append(x.unclaimed, omission{name, "for a plain model of the settings: " + want.Reason})
		}
	}
	return []experiment{x}
}

// both claims that a stage with linked channels lowers both by the gain of the louder
// channel, and one with unlinked channels each by its own.
func both(linked bool, loudDBFS float64, alone func(quietDBFS float64) float64) experiment {
	quiet := loudDBFS - 12
	want, text := 0.0, "linked channels have one gain"
	if !linked {
		want, text = alone(loudDBFS)-alone(quiet), "unlinked channels have the gain of their own level"
	}
	return experiment{
		Condition: fmt.Sprintf("997 Hz, left at %.1f dBFS, right 12 dB lower", loudDBFS),
		Claims:    []Claim{within("channel_gain_difference_db", want, curveBoundDB, text+"; "+curveWhy)},
		Run: drivenBy(max(0, loudDBFS), instrument.ChannelLink{Tones: stimulus.LinkTones{
			Hz: stimulus.StandardHz, LeftDBFS: min(0, loudDBFS), RightDBFS: min(0, loudDBFS) - 12, Seconds: 3,
		}}),
	}
}
