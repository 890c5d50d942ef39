package tune

import (
	"fmt"
	"math"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/take"
)

func floorIsTwo(f take.Floor) bool { return len(f.Higher) > 0 }

// Lowest and highest corner of the proposed high-pass.
const leastCornerHz, mostCornerHz = 40, 100

// proposeHighPass sets the corner below the lowest voice: a Butterworth high-pass of 12 dB an
// octave loses 0.5 dB at 1/0.59 of its corner, with 0.59 = (10^0.05 − 1)^(1/4).
func (p *ProposedChain) proposeHighPass(all []*takeAnalysis) float64 {
	const share, without, stepHz = 0.59, 60, 5
	p.stage("highpass", "", "")
	hz, seconds := math.Inf(1), 0.0
	for _, a := range all {
		if f, s := a.pitch.lowest(); s >= leastVoicedSeconds {
			hz, seconds = min(hz, f), seconds+s
		}
	}
	if seconds == 0 {
		return p.choose("corner_hz", without, "Hz", fmt.Sprintf("less than %d s of voiced speech", leastVoicedSeconds), fmt.Sprintf("%d Hz where no pitch is found (own choice)", without), Low)
	}
	corner := stepHz * math.Floor(max(leastCornerHz, min(mostCornerHz, share*hz))/stepHz)
	return p.choose("corner_hz", corner, "Hz", fmt.Sprintf("lowest pitch %.0f Hz (5th percentile of %.0f s of voiced speech)", hz, seconds), fmt.Sprintf("%g times that pitch, at which the filter then takes 0.5 dB; %d to %d Hz, in steps of %d Hz", share, leastCornerHz, mostCornerHz, stepHz), High)
}

// sum adds gains to levels, both in hundredths of a dB.
func sum(levels, gains []int16) []int16 {
	all := make([]int16, len(levels))
	for k, v := range levels {
		all[k] = max(quietest, v+max(gains[k], quietest/2))
	}
	return all
}

// proposeDeEsser switches the de-esser on where sharp s-sounds are frequent.
func (p *ProposedChain) proposeDeEsser(all []*takeAnalysis) {
	events, minutes, rate := 0.0, 0.0, math.MaxInt
	for _, a := range all {
		if r, ok := a.inspection.Readings.Get("sibilants"); ok && r.Measurable() {
			events += r.Value
		}
		minutes += a.activeSeconds() / 60
		rate = min(rate, a.format.Rate)
	}
	if rate < 24000 {
		return // the de-esser's band does not fit below half the rate
	}
	off := tooFewSharp(events, minutes)
	c := Medium
	if off != "" {
		c = None
	}
	p.stage("de-esser", "", off)
	p.choose("relative_db", -9, "dB", fmt.Sprintf("%.0f sharp s-sounds in %.1f minutes of speech", events, minutes), "it compares two levels of the same sound, so it does not depend on the level of the take", c)
	p.choose("ratio", 4, "", "", "", c)
	p.choose("range_db", 4, "dB", "", "small on purpose: more sounds like a lisp", c)
}

// tooFewSharp returns the reason that so many sharp s-sounds in minutes of speech need no
// de-esser; "" where they do.
func tooFewSharp(events, minutes float64) string {
	const leastAMinute, least = 4, 2
	rate := fmt.Sprintf("%.1f", events/max(minutes, 1.0/60))
	switch {
	case events < least:
		return fmt.Sprintf("%s in %.0f s of speech; a de-esser is worthwhile from %d on, and from %d a minute.", dsp.Plural(int(events), "sharp s-sound"), 60*minutes, least, leastAMinute)
	case events < leastAMinute*minutes && rate != fmt.Sprintf("%.1f", float64(leastAMinute)):
		return fmt.Sprintf("%s sharp s-sounds a minute of speech; a de-esser is worthwhile from %d on.", rate, leastAMinute)
	}
	return ""
}

// The limiter's rule: at most 1 dB of reduction in 99.5 % of the milliseconds of active sound.
const (
	usualCeiling, limitedDB, limitedShare = -1, 1, 0.995
	mostLimiterDriveDB, driveStepDB       = 12, 0.5
)

// betweenSamplesDB is by how much the peaks between the samples exceed those of the samples at
// a rate of 8 kHz; at others, as much less as the rate is higher. (own choice: in 18 recorded
// voices at 8 and 16 kHz the mean excess of the reduction was 0.6 and 0.3 dB)
const betweenSamplesDB, betweenSamplesHz = 1.0, 8000

// proposeLimiter sets the drive by its rule, on excerpts of the takes behind the stages before
// it.
func (p *ProposedChain) proposeLimiter(all []*takeAnalysis, peaks [][]int16) {
	p.stage("limiter", "", "")
	ceiling := p.choose("ceiling_dbtp", usualCeiling, "dBTP", "", fmt.Sprintf("EBU R 128: %d dBTP at most", usualCeiling), High)
	settings := dsp.LimiterSettings{CeilingDBTP: ceiling, DriveDB: mostLimiterDriveDB, LookaheadMs: 3, LinkChannels: true}
	sound := false
	for k, a := range all {
		level := a.tracks.peaks.excerpt(a.tracks.level)
		if active := a.active.of(peaks[k], level); len(active) > 0 {
			sound = true
			// No more drive meets the rule: a millisecond is reduced by what its own peak needs
			// at least.
			most := ceiling + limitedDB - quantile(inOrder(active), limitedShare)
			settings.DriveDB = min(settings.DriveDB, max(-mostLimiterDriveDB, driveStepDB*math.Floor(most/driveStepDB)))
			for settings.DriveDB > -mostLimiterDriveDB {
				over := a.limited(settings, peaks[k], level) - limitedDB
				if over <= 0 {
					break
				}
				// The reduction falls by 1 dB at most with 1 dB of drive.
				settings.DriveDB = max(-mostLimiterDriveDB, settings.DriveDB-driveStepDB*max(1, math.Floor(over/driveStepDB)))
			}
		}
	}
	reading := "no sound is above the noise, so there are no peaks to set it by"
	if sound {
		most := 0.0
		for k, a := range all {
			most = max(most, a.limited(settings, peaks[k], a.tracks.peaks.excerpt(a.tracks.level)))
		}
		reading = fmt.Sprintf("predicted with it: %.1f dB of reduction or less in %g %% of the active sound", most, 100*limitedShare)
	} else {
		settings.DriveDB = 0
	}
	p.choose("drive_db", settings.DriveDB, "dB", reading, fmt.Sprintf("the highest in steps of %g dB with %d dB at most there, up to %d dB; for a target loudness, use boothbench deliver", driveStepDB, limitedDB, mostLimiterDriveDB), Medium)
	p.choose("lookahead_ms", settings.LookaheadMs, "ms", "", "", High)
}

// limited predicts the reduction in dB that a limiter does not exceed in 99.5 % of the active
// milliseconds of peaks, of which level is the level.
func (a *takeAnalysis) limited(s dsp.LimiterSettings, peaks, level []int16) float64 {
	s.DriveDB += betweenSamplesDB * betweenSamplesHz / float64(a.format.Rate)
	gains := limiterGains(s, peaks, a.format.Rate)
	lowest := make([]float32, 0, len(level))
	for ms, v := range level[:min(len(level), len(peaks))] {
		if v > a.active.over {
			_, gain := gains(ms)
			lowest = append(lowest, float32(gain))
		}
	}
	if len(lowest) == 0 {
		return 0
	}
	return max(0, -dsp.AmplitudeToDB(float64(nthSmallest(lowest, int((1-limitedShare)*float64(len(lowest)))))))
}

// Off returns the stages of a proposal that are off, with the reasons.
func (p *ProposedChain) Off() map[string]string {
	off := map[string]string{}
	for _, s := range p.sections {
		if s.off != "" {
			off[s.kind] = strings.TrimSpace(s.off)
		}
	}
	return off
}
