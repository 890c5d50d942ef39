package tune

import (
	"fmt"
	"math"
	"strings"

	"github.com/boothbench/boothbench/dsp"
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

// proposeExpander sets the expander and returns its gains on each take, for each
// millisecond, in hundredths of a dB.
func (p *ProposedChain) proposeExpander(all []*takeAnalysis) [][]int16 {
	flat := make([][]int16, len(all))
	for k, a := range all {
		flat[k] = make([]int16, len(a.tracks.level))
	}
	var loud *takeAnalysis
	off := ""
	for _, a := range all {
		switch {
		case a.undecided != "":
			off = a.name + ": " + a.undecided + "."
		case !a.speaks():
			off = a.name + ": no speech was found over the noise."
		}
		if a.undecided == "" && (loud == nil || a.threshold() > loud.threshold()) {
			loud = a
		}
	}
	if off == "" && loud.floorDBFS < nothingToGainDBFS {
		off = fmt.Sprintf("nothing to gain: the noise lies at %.1f dBFS.", loud.floorDBFS)
	}
	if off == "" && loud.floorDBFS+20 < -60 {
		// 20 dB of make-up and drive are a lot. (own choice)
		off = fmt.Sprintf("nothing to gain: the noise lies at %.1f dBFS, and stays under -60 with 20 dB of gain.", loud.floorDBFS)
	}
	_, fixed := p.keep["expander.threshold_dbfs"]
	if fixed {
		off = ""
	}
	if loud == nil {
		p.stage("expander", "", off)
		threshold := -60.0
		p.choose("threshold_dbfs", threshold, "dBFS", "no noise to set it by", "a place for it, if you switch it on", None)
		return flat
	}
	T := math.Ceil(10*loud.threshold()) / 10
	if T > -10 {
		T = -10
		if off == "" {
			off = fmt.Sprintf("the noise lies at %.1f dBFS: that is no pause.", loud.floorDBFS)
		}
	}
	T = max(-120, T)
	if kept, ok := p.keep["expander.threshold_dbfs"]; ok {
		fmt.Sscan(kept, &T)
	}
	settings := func(rangeDB float64) dsp.ExpanderSettings {
		return dsp.ExpanderSettings{
			ThresholdDBFS: T, Ratio: max(leastRatio, min(mostRatio, 1+rangeDB/max(1, T-loud.pauseDBFS))), RangeDB: rangeDB, HysteresisDB: hysteresisDB,
			AttackMs: expanderAttackMs, HoldMs: expanderHoldMs, ReleaseMs: expanderReleaseMs, LookaheadMs: expanderLookaheadMs, LinkChannels: true,
		}
	}
	// The share of the speech that the full range lowers decides the range.
	rangeDB, worst := float64(mostRangeDB), 0.0
	for _, a := range all {
		if a.undecided == "" {
			gains := expanderGains(a.tracks.level, settings(mostRangeDB))
			worst = max(worst, a.loweredShare(gains, words(a.tracks.level, a.noiseTop+wordOverNoiseDB), quantile(a.noise, 0.5)))
		}
	}
	if worst > mostLoweredShare {
		rangeDB = mostRangeDB * mostLoweredShare / worst
	}
	if off == "" && rangeDB < leastRangeDB && !fixed {
		off = fmt.Sprintf("it would lower %.1f %% of the speech by more than 1 dB with a range of %d dB; with %d dB or less it is not worth it.", 100*worst, mostRangeDB, leastRangeDB)
		rangeDB = leastRangeDB
	}
	rangeDB = math.Floor(10*rangeDB) / 10
	p.stage("expander", "", off)
	c := confidence(all)
	if off != "" {
		c = None
	}
	p.choose("threshold_dbfs", T, "dBFS", fmt.Sprintf("noise above 150 Hz %.1f dBFS in %.1f s of pauses, of which its detector reads up to %.1f dBFS (P99.9)", loud.pauseDBFS, loud.seconds, loud.noiseTop),
		"6 dB over the noise, and 2 dB over that reading", c)
	rangeDB = p.choose("range_db", rangeDB, "dB", fmt.Sprintf("%.1f %% of the time of speech is predicted to be lowered by more than 1 dB with %d dB", 100*worst, mostRangeDB), "12 dB up to 2 %, less in proportion above", c)
	s := settings(rangeDB)
	p.choose("ratio", s.Ratio, "", fmt.Sprintf("threshold %.1f dB over the noise", T-loud.pauseDBFS), "so that the noise is lowered by the range, 1.5 to 4", c)
	p.choose("hysteresis_db", s.HysteresisDB, "dB", "", "", c)
	p.choose("attack_ms", s.AttackMs, "ms", "", "", c)
	p.choose("hold_ms", s.HoldMs, "ms", "", "bridges the closures of stops", c)
	p.choose("release_ms", s.ReleaseMs, "ms", "", "", c)
	p.choose("lookahead_ms", s.LookaheadMs, "ms", "", "offline it costs nothing, and it is open when a word begins", c)
	p.choose("sidechain_highpass_hz", sideChainHz, "Hz", "", "rooms fall with frequency: it separates noise from soft speech", c)
	if off != "" {
		return flat
	}
	for k, a := range all {
		flat[k] = expanderGains(a.tracks.level, s)
	}
	return flat
}

// sum adds gains to levels, both in hundredths of a dB.
func sum(levels, gains []int16) []int16 {
	all := make([]int16, len(levels))
	for k, v := range levels {
		all[k] = max(quietest, v+max(gains[k], quietest/2))
	}
	return all
}

// proposeCompressor sets the threshold so that the median reduction is 3 dB, on excerpts
// of the takes behind the expander, and returns their peaks behind both.
func (p *ProposedChain) proposeCompressor(all []*takeAnalysis, before [][]int16) [][]int16 {
	const wantDB, mostP95DB, leastRangeLU, knee = 3, 9, 4, 6
	off, rangeLU := "", math.Inf(-1)
	for _, a := range all {
		if lu, ok := a.momentaryRange(); ok {
			rangeLU = max(rangeLU, lu)
		}
	}
	_, fixed := p.keep["compressor.threshold_dbfs"]
	switch {
	case fixed:
	case math.IsInf(rangeLU, -1):
		off = "the take is too short, or too soft, to have a range of loudness."
	case rangeLU < leastRangeLU:
		off = fmt.Sprintf("momentary loudness spans %.1f LU from its 10th to its 95th percentile; under %d LU there is nothing to even out.", rangeLU, leastRangeLU)
	}
	levels := make([][]int16, len(all))
	for k, a := range all {
		levels[k] = sum(excerpt(a.tracks.peak), excerpt(before[k]))
	}
	settings := func(threshold, ratio float64) dsp.CompressorSettings {
		return dsp.CompressorSettings{ThresholdDBFS: threshold, Ratio: ratio, KneeDB: knee, AttackMs: 5, ReleaseMs: 100, Detector: dsp.Peak, DetectorWindowMs: 10, LinkChannels: true}
	}
	reduce := func(s dsp.CompressorSettings) (median, p95 float64, gains [][]int16) {
		var working []int16
		for _, level := range levels {
			c, err := dsp.NewCompressor(s, 1000, 1)
			if err != nil {
				panic(err) // the settings are ours, and kept ones are checked by then
			}
			g := tracedGains(c, level, c.Latency())
			gains = append(gains, g)
			for _, v := range g {
				if v <= -10 { // chain.WorkingDB
					working = append(working, -v)
				}
			}
		}
		return quantile(working, 0.5), quantile(working, 0.95), gains
	}
	solve := func(ratio float64) (threshold float64) {
		low, high := -70.0, 0.0
		for range 12 {
			middle := (low + high) / 2
			if median, _, _ := reduce(settings(middle, ratio)); median > wantDB {
				low = middle
			} else {
				high = middle
			}
		}
		return math.Round(10*(low+high)/2) / 10
	}
	ratio, T := 3.0, -20.0
	var median, p95 float64
	gains := make([][]int16, len(all)) // of this stage; none
	if off == "" {
		T = solve(ratio)
		if _, p95, _ = reduce(settings(T, ratio)); p95 > mostP95DB {
			ratio = 2
			T = solve(ratio)
		}
		if kept, ok := p.keep["compressor.threshold_dbfs"]; ok {
			fmt.Sscan(kept, &T)
		}
		T = max(-100, min(0, T))
		median, p95, gains = reduce(settings(T, ratio))
		p.predictedCompression = [2]float64{median, p95}
	}
	p.stage("compressor", "", off)
	c := Medium
	if off != "" {
		c = None
	}
	p.choose("threshold_dbfs", T, "dBFS", fmt.Sprintf("momentary loudness spans %.1f LU; predicted reduction %.1f dB (median), %.1f dB (95th percentile)", max(0, rangeLU), median, p95),
		"3 dB of median reduction (own choice within 3 to 6: common practice, no source)", c)
	p.choose("ratio", ratio, "", "", "3, or 2 where the 95th percentile of the reduction is over 9 dB", c)
	p.choose("knee_db", knee, "dB", "", "", c)
	p.choose("attack_ms", 5, "ms", "", "", c)
	p.choose("release_ms", 100, "ms", "", "", c)
	p.choose("makeup_db", 0, "dB", "", "the level is set in one place: the drive of the limiter", c)
	for k := range levels {
		if off == "" {
			levels[k] = sum(levels[k], gains[k])
		}
	}
	return levels
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
