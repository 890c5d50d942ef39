package tune

import (
	"fmt"
	"math"
	"strings"

	"github.com/boothbench/boothbench/measure/take"
)

func floorIsTwo(f take.Floor) bool { return f.Two }

// proposeHighPass sets the corner under the lowest voice: a Butterworth of 12 dB an
// octave loses 0.5 dB at 1/0.59 of its corner (10^(0.05)-1)^(1/4).
func (p *ProposedChain) proposeHighPass(all []*takeAnalysis) float64 {
	const share, lowest, highest, without = 0.59, 40, 100, 60
	p.stage("highpass", "", "")
	hz, seconds := math.Inf(1), 0.0
	for _, a := range all {
		if f, s := a.pitch.lowest(); s >= leastVoicedSeconds {
			hz, seconds = min(hz, f), seconds+s
		}
	}
	if seconds == 0 {
		return p.choose("corner_hz", without, "Hz", fmt.Sprintf("less than %d s of voiced speech", leastVoicedSeconds), "60 Hz where no pitch is found (own choice)", Low)
	}
	corner := 5 * math.Floor(max(lowest, min(highest, share*hz))/5)
	return p.choose("corner_hz", corner, "Hz", fmt.Sprintf("lowest pitch %.0f Hz (5th percentile of %.0f s of voiced speech)", hz, seconds), "0.59 of it loses 0.5 dB there; 40 to 100 Hz, in steps of 5", High)
}

// proposeNotches lowers mains hum that stands out of the pauses.
func (p *ProposedChain) proposeNotches(all []*takeAnalysis, corner float64) {
	const mostQ, mostNotches, underFloorDB, overDB = 30, 3, 20, 6
	var lines []take.HumLine
	for _, a := range all {
		for _, l := range a.inspection.Hum {
			if a.undecided == "" && l.Hz >= corner && l.OverDB >= overDB && l.DBFS > a.floorDBFS-underFloorDB && len(lines) < mostNotches && l.Hz < 0.45*float64(a.format.Rate) {
				lines = append(lines, l)
			}
		}
		if len(lines) > 0 {
			break // the mains are the same
		}
	}
	if len(lines) == 0 {
		return
	}
	p.stage("equaliser", "hum", "")
	for _, l := range lines {
		p.stage("", "", "")
		// No narrower than 4 Hz: the mains wander.
		q := min(mostQ, math.Floor(l.Hz/4))
		p.put("shape", `"notch"`, "", fmt.Sprintf("line at %.1f Hz, %.1f dBFS, %.0f dB over its neighbourhood", l.Hz, l.DBFS, l.OverDB), "lines 6 dB over it, within 20 dB of the floor, three at most", High)
		p.choose("centre_hz", l.Hz, "Hz", "", "", High)
		p.choose("q", q, "", fmt.Sprintf("a voice's harmonic 5 %% away loses %.2f dB", notchLoss(q, 1.05)), "narrow, so that the voice keeps its harmonics", High)
	}
}

// notchLoss is what a notch takes at a ratio to its centre, in dB.
func notchLoss(q, ratio float64) float64 {
	x := q * (ratio - 1/ratio)
	return 10 * math.Log10(1+1/(x*x))
}

// sum adds gains to levels, both in hundredths of a dB.
func sum(levels, gains []int16) []int16 {
	all := make([]int16, len(levels))
	for k, v := range levels {
		all[k] = max(quietest, v+max(gains[k], quietest/2))
	}
	return all
}

// proposeDeEsser switches it on where sharp s-sounds are frequent.
func (p *ProposedChain) proposeDeEsser(all []*takeAnalysis) {
	const leastAMinute = 4
	events, minutes, rate := 0.0, 0.0, math.MaxInt
	for _, a := range all {
		if r, ok := a.inspection.Readings.Get("sibilants"); ok && r.Measurable() {
			events += r.Value
		}
		minutes += float64(a.frames) / float64(a.format.Rate) / 60
		rate = min(rate, a.format.Rate)
	}
	if rate < 24000 {
		return // its band does not fit
	}
	off := ""
	if events < leastAMinute*minutes || events < 2 {
		off = fmt.Sprintf("%.1f sharp s-sounds a minute; from %d on it is worth it.", events/minutes, leastAMinute)
	}
	c := Medium
	if off != "" {
		c = None
	}
	p.stage("de-esser", "", off)
	p.choose("relative_db", -9, "dB", fmt.Sprintf("%.0f sharp s-sounds in %.1f minutes", events, minutes), "a distance between two levels of the sound, so it needs no setting to the take", c)
	p.choose("ratio", 4, "", "", "", c)
	p.choose("range_db", 4, "dB", "", "conservative: more makes a lisp", c)
}

// proposeLimiter sets the drive so that 99.5 % of the sound is limited by 1 dB at most.
func (p *ProposedChain) proposeLimiter(peaks [][]int16) {
	const ceiling, limitedDB, mostDB = -1, 1, 12
	loudest := math.Inf(-1)
	for _, take := range peaks {
		if active := activePeaks(take); len(active) > 0 {
			loudest = max(loudest, quantile(active, 0.995))
		}
	}
	drive := 0.0
	if !math.IsInf(loudest, -1) {
		drive = math.Floor(2*max(-mostDB, min(mostDB, ceiling+limitedDB-loudest))) / 2
	}
	p.stage("limiter", "", "")
	p.choose("ceiling_dbtp", ceiling, "dBTP", "", "EBU R 128: -1 dBTP at most", High)
	p.choose("drive_db", drive, "dB", fmt.Sprintf("99.5 %% of the milliseconds of sound peak at %.1f dBFS or less ahead of it", loudest), "so that they are limited by 1 dB at most, and 12 dB at most; for a loudness, use deliver", Medium)
	p.choose("lookahead_ms", 3, "ms", "", "", High)
}

// Off lists the stages of a proposal that are off, with their reasons.
func (p *ProposedChain) Off() map[string]string {
	off := map[string]string{}
	for _, s := range p.sections {
		if s.off != "" {
			off[s.kind] = strings.TrimSpace(s.off)
		}
	}
	return off
}
