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

// proposeLimiter sets the drive so that 99.5 % of the active sound is limited by at most 1 dB.
func (p *ProposedChain) proposeLimiter(all []*takeAnalysis, peaks [][]int16) {
	const ceiling, limitedDB, mostDB = -1, 1, 12
	loudest := math.Inf(-1)
	for k, a := range all {
		if active := a.active.of(peaks[k], a.tracks.peaks.excerpt(a.tracks.level)); len(active) > 0 {
			loudest = max(loudest, quantile(inOrder(active), 0.995))
		}
	}
	drive, reading := 0.0, "no sound is above the noise, so there are no peaks to set it by"
	if !math.IsInf(loudest, -1) {
		reading = fmt.Sprintf("99.5 %% of the milliseconds of active sound peak at %.1f dBFS or less ahead of it", loudest)
		drive = math.Floor(2*max(-mostDB, min(mostDB, ceiling+limitedDB-loudest))) / 2
	}
	p.stage("limiter", "", "")
	p.choose("ceiling_dbtp", ceiling, "dBTP", "", fmt.Sprintf("EBU R 128: %d dBTP at most", ceiling), High)
	p.choose("drive_db", drive, "dB", reading, fmt.Sprintf("the drive that limits them by %d dB at most, %d dB of drive at most; for a target loudness, use boothbench deliver", limitedDB, mostDB), Medium)
	p.choose("lookahead_ms", 3, "ms", "", "", High)
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
