package tune

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sync"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/take"
)

// The expander's rule. The threshold is 6 dB over the noise, and at least 2 dB over the level
// that the expander's own detector reads in the noise, except in one millisecond of a thousand.
// To protect speech the range is reduced; the threshold is never lowered. The side chain is
// always high-passed at 150 Hz. Room noise falls with frequency, so this corner separates noise
// from soft speech. A corner chosen from the take would make the threshold jump where the
// choice changes. (own choice; the effect is measured in tests with known rooms)
const (
	overFloorDB, overNoiseDB                = 6, 2
	hysteresisDB, expanderAttackMs          = 3, 1
	expanderLookaheadMs, expanderHoldMs     = 25, 120
	expanderReleaseMs, mostRangeDB          = 120, 12
	leastRangeDB, mostLoweredShare          = 4, 0.01
	leastRatio, mostRatio                   = 1.5, 4
	inaudibleDBFS, leastGainDB              = -60, 20
	usualLUFS, compressedDB                 = -16, 3
	wordOverNoiseDB, wordGapMs, wordEdgesMs = 1, 100, 200
	sideChainHz                             = take.PauseHighPassHz
)

// proposeExpander sets the expander and returns its gains on each take, for each millisecond,
// in hundredths of a dB; nil where it is off.
func (p *ProposedChain) proposeExpander(all []*takeAnalysis) [][]int16 {
	gains := make([][]int16, len(all))
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
	if off == "" {
		off = nothingToGain(all)
	}
	_, fixed := p.keep["expander.threshold_dbfs"]
	if fixed {
		off = ""
	}
	if loud == nil {
		p.stage("expander", "", off)
		threshold := -60.0
		p.choose("threshold_dbfs", threshold, "dBFS", "no noise was measured to set it by", "a starting value, in case you switch the stage on", None)
		return gains
	}
	T := math.Ceil(10*loud.threshold()) / 10
	if T > -10 {
		T = -10
		if off == "" {
			off = fmt.Sprintf("the noise lies at %.1f dBFS: too loud for a pause.", loud.floorDBFS)
		}
	}
	T = max(-120, T)
	if kept, ok := p.keep["expander.threshold_dbfs"]; ok {
		fmt.Sscan(kept, &T)
	}
	settings := func(rangeDB float64) dsp.ExpanderSettings {
		return dsp.ExpanderSettings{
			ThresholdDBFS: T, Ratio: max(leastRatio, min(mostRatio, 1+rangeDB/max(1, T-loud.noise.pauseDBFS))), RangeDB: rangeDB, HysteresisDB: hysteresisDB,
			AttackMs: expanderAttackMs, HoldMs: expanderHoldMs, ReleaseMs: expanderReleaseMs, LookaheadMs: expanderLookaheadMs, LinkChannels: true,
		}
	}
	// The range depends on the share of the speech that the full range would attenuate, and on
	// the phrases that it would cut.
	rangeDB, worst := float64(mostRangeDB), 0.0
	rangeByCuts, cuts := float64(mostRangeDB), predictedCuts{}
	for k, a := range all {
		if a.undecided == "" {
			gains[k] = expanderGains(a.tracks.level, settings(mostRangeDB))
			worst = max(worst, a.predictedLowered(gains[k]))
			byCuts, c := a.rangeByCuts(gains[k])
			rangeByCuts = min(rangeByCuts, byCuts)
			cuts = predictedCuts{cuts.phrases + c.phrases, cuts.ends + c.ends, cuts.starts + c.starts}
		}
	}
	if worst > mostLoweredShare {
		rangeDB = mostRangeDB * mostLoweredShare / worst
	}
	if off == "" && rangeDB < leastRangeDB && !fixed {
		off = fmt.Sprintf("it would lower %.1f %% of the speech by more than %d dB with a range of %d dB; with %d dB or less it is not worthwhile.", 100*worst, loweredDB, mostRangeDB, leastRangeDB)
		rangeDB = leastRangeDB
	}
	// With the least range a cut is by 4 dB at most: no reason to switch it off.
	rangeDB = min(rangeDB, max(leastRangeDB, rangeByCuts))
	rangeDB = math.Floor(10*rangeDB) / 10
	p.stage("expander", "", off)
	c := confidence(all)
	if off != "" {
		c = None
	}
	p.choose("threshold_dbfs", T, "dBFS", fmt.Sprintf("noise above %d Hz %.1f dBFS in %.1f s of pauses; the expander's detector reads %.1f dBFS or less in 99.9 %% of them", sideChainHz, loud.noise.pauseDBFS, loud.seconds, loud.noise.top),
		fmt.Sprintf("at least %d dB over the noise, and %d dB over what the detector reads", overFloorDB, overNoiseDB), c)
	rangeDB = p.choose("range_db", rangeDB, "dB", fmt.Sprintf("with %d dB, it is predicted to lower %.1f %% of the time of speech by more than %d dB, and to cut %s and %s of %s by more than %d dB", mostRangeDB, 100*worst, loweredDB, dsp.Plural(cuts.ends, "end"), dsp.Plural(cuts.starts, "start"), dsp.Plural(cuts.phrases, "phrase"), cutDB),
		fmt.Sprintf("%d dB, but less where it lowers more than %g %% of the time of speech, or cuts more than %g %% of the ends or %g %% of the starts", mostRangeDB, 100*mostLoweredShare, 100*mostEndsCut, 100*mostStartsCut), c)
	s := settings(rangeDB)
	p.choose("ratio", s.Ratio, "", fmt.Sprintf("threshold %.1f dB over the noise", T-loud.noise.pauseDBFS), fmt.Sprintf("the ratio that lowers the noise by the range, %g to %d", leastRatio, mostRatio), c)
	p.choose("hysteresis_db", s.HysteresisDB, "dB", "", "", c)
	p.choose("attack_ms", s.AttackMs, "ms", "", "", c)
	p.choose("hold_ms", s.HoldMs, "ms", "", "it stays open through the short silences inside words, such as those before p, t and k", c)
	p.choose("release_ms", s.ReleaseMs, "ms", "", "", c)
	p.choose("lookahead_ms", s.LookaheadMs, "ms", "", "it is open when a word begins; a file has no delay to keep", c)
	p.choose("sidechain_highpass_hz", sideChainHz, "Hz", "", fmt.Sprintf("the noise of rooms falls with frequency, so soft speech is further above it from %d Hz up", sideChainHz), c)
	if off != "" {
		return make([][]int16, len(all))
	}
	for k, a := range all {
		if gains[k] == nil || s != settings(mostRangeDB) {
			gains[k] = expanderGains(a.tracks.level, s)
		}
	}
	return gains
}

// nothingToGain returns the reason that no take needs an expander; "" where one does. The
// reason is that its noise above 150 Hz stays under -60 dBFS once the take is as loud as
// programmes are; noise below 150 Hz is left to the high-pass. The gain to that loudness is the
// distance from the take's own loudness to -16 LUFS plus the compressor's reduction, and at
// least 20 dB. A take too soft to have a loudness counts as -70 LUFS. (own choice)
func nothingToGain(all []*takeAnalysis) string {
	loudest, why := math.Inf(-1), ""
	for _, a := range all {
		lufs := -70.0
		if r, ok := a.loudness.Readings().Get("integrated_lufs"); ok && r.Measurable() && r.Unit != "" {
			lufs = r.Value
		}
		gain := max(leastGainDB, usualLUFS-lufs+compressedDB)
		if at := a.noise.pauseDBFS + gain; at > loudest {
			loudest = at
			why = fmt.Sprintf("nothing to gain: the noise above %d Hz lies at %.1f dBFS, and stays under %d dBFS with %.0f dB of gain.", sideChainHz, a.noise.pauseDBFS, inaudibleDBFS, gain)
		}
	}
	if loudest >= inaudibleDBFS {
		return ""
	}
	return why
}

// noiseLevels returns the readings of the expander's detector in frames that have pauses on
// both sides, sorted.
func (a *takeAnalysis) noiseLevels(isPause func(i int) bool) []int16 {
	_, hop := take.PauseFrames(a.tracks.rate)
	var all []int16
	for i := 1; ; i++ {
		from, to := a.tracks.of(int64(i)*int64(hop)), a.tracks.of(int64(i+1)*int64(hop))
		if to > len(a.tracks.level) {
			return inOrder(all)
		}
		if isPause(i-1) && isPause(i) && isPause(i+1) {
			all = append(all, a.tracks.level[from:to]...)
		}
	}
}

// noiseTop returns the level in dB that the detector's reading of a noise exceeds for one
// millisecond in a thousand. It uses quantiles that disturbances in up to a tenth of the time
// cannot change. The P99.9 of a chi-square level in dB is 2.03, 2.21 and 2.31 times as far
// above the median as the P90, for 4, 20 and 100 degrees of freedom. A factor of 2.4, less a
// tenth of the distance in dB, is on the safe side of all three.
func noiseTop(sorted []int16) (top float64, ok bool) {
	if len(sorted) < 75 {
		return 0, false
	}
	median := float64(sorted[len(sorted)/2]) / 100
	d := float64(sorted[len(sorted)*9/10])/100 - median
	return median + (2.4-0.1*d)*d, true
}

// expanderGains returns the gains of an expander over the milliseconds of a track, in
// hundredths of a dB. It runs the expander itself at a rate of 1 kHz, with the track as its
// detector's reading.
func expanderGains(level []int16, s dsp.ExpanderSettings) []int16 {
	s.Detector, s.DetectorWindowMs, s.SidechainHighPassHz = dsp.Peak, 1, 0
	e, err := dsp.NewExpander(s, 1000, 1)
	if err != nil {
		panic(err) // the settings are set here
	}
	return tracedGains(e, level, e.Latency(), func(gain float64) int16 { return gainLevel(float32(gain)) })
}

// gainLevel converts a linear gain to hundredths of a dB.
func gainLevel(gain float32) int16 { return centibels(float64(gain) * float64(gain)) }

// amplitudes are the amplitudes of all levels of a track, from quietest up.
var amplitudes = sync.OnceValue(func() []float64 {
	all := make([]float64, 10000-quietest+1)
	for k := range all {
		all[k] = dsp.DBToAmplitude(float64(k+quietest) / 100)
	}
	return all
})

// powerOf returns the power of a level in hundredths of a dB: 1 at level 0.
func powerOf(level int16) float64 {
	a := amplitudes()[int(level)-quietest]
	return a * a
}

// tracedGains runs a stage over a track at 1 kHz, some seconds at a time, and returns the
// gain of each millisecond, which kept converts from a linear one.
func tracedGains[T any](stage dsp.GainTracer, level []int16, latency int, kept func(gain float64) T) []T {
	const piece = 1 << 13
	x, traced, gains := make([]float64, piece), make([]float64, piece), make([]T, len(level)+latency)
	amplitude := amplitudes()
	for from := 0; from < len(gains); from += piece {
		gain := traced[:min(piece, len(gains)-from)]
		sound := x[:len(gain)]
		clear(sound)
		for k, v := range level[min(len(level), from):min(len(level), from+piece)] {
			sound[k] = amplitude[int(v)-quietest]
		}
		stage.ProcessTraced(dsp.Block{sound}, dsp.Block{gain})
		for k, g := range gain {
			gains[from+k] = kept(g)
		}
	}
	return gains[latency:]
}

// word is a stretch of speech in milliseconds.
type word struct{ from, to int }

// words returns the stretches of a part in which the detector's level exceeds over. A millisecond
// counts where most of the 11 ms around it exceed it, and gaps under 100 ms are joined.
func (p part) words(level []int16, over float64) (all []word) {
	level = level[p.from:p.to]
	limit := int16(max(quietest, min(10000, math.Round(100*over))))
	count := 0
	for k := range len(level) + 5 {
		if k < len(level) && level[k] > limit {
			count++
		}
		if k >= 11 && level[k-11] > limit {
			count--
		}
		ms := k - 5
		if ms < 0 || count < 6 {
			continue
		}
		all = withSpeechAt(all, p.from+ms)
	}
	return all
}

// withSpeechAt adds a millisecond of speech to the last word. It begins another word if the gap
// before the millisecond is long enough.
func withSpeechAt(all []word, ms int) []word {
	if n := len(all); n > 0 && ms-all[n-1].to < wordGapMs {
		all[n-1].to = ms + 1
		return all
	}
	return append(all, word{ms, ms + 1})
}

// audibleDB is the level of noise plus equally loud speech, relative to the median of the
// noise. Softer speech is masked by the noise, and nobody misses it.
const audibleDB = 3

// predictedLowered predicts the share of the time of speech that an expander with these gains
// attenuates by more than 1 dB: in words, and near them, where there may be soft speech.
//
// Near a word, the attenuated milliseconds at more than 3 dB above the noise's median count,
// less the number that noise alone would cause. Noise is below its median half of the time, so
// noise alone fills twice the attenuated time that lies below the median. For one word this
// difference is mostly chance, in either direction, so it is summed over all words before it
// counts.
//
// The worst tenth of the words does not count, nor do the highest and the lowest tenth of the
// values near words: a passing car is not a word.
func (a *takeAnalysis) predictedLowered(gains []int16) float64 {
	var losses []loss
	var near []float64 // ms
	for _, p := range a.parts() {
		l, n := p.losses(a.tracks.level, gains)
		losses, near = append(losses, l...), append(near, n...)
	}
	slices.SortFunc(losses, func(x, y loss) int { return cmp.Compare(x.lowered/x.total, y.lowered/y.total) })
	losses = losses[:len(losses)-len(losses)/10]
	lowered, total := 0.0, 0.0
	for _, l := range losses {
		lowered, total = lowered+l.lowered, total+l.total
	}
	slices.Sort(near)
	tenth := len(near) / 10
	near = near[tenth : len(near)-tenth]
	mean := 0.0
	for _, ms := range near {
		mean += ms / float64(len(near))
	}
	return (lowered + max(0, float64(len(losses))*mean)) / max(1, total)
}

// loss is how many milliseconds of a word are attenuated.
type loss struct{ lowered, total float64 }

// losses returns, for each word of a part, its loss and the attenuated milliseconds of soft
// speech near it, less those of noise.
func (p part) losses(level, gains []int16) (all []loss, near []float64) {
	noise := p.noise.levels
	median := int16(math.Round(100 * quantile(noise, 0.5)))
	over := median + 100*audibleDB
	first, _ := slices.BinarySearch(noise, over+1)
	noiseOver := float64(len(noise)-first) / float64(max(1, len(noise)))
	found := p.words(level, p.noise.top+wordOverNoiseDB)
	for i, w := range found {
		l := loss{total: float64(w.to - w.from)}
		for _, g := range gains[w.from:w.to] {
			if g < -100*loweredDB {
				l.lowered++
			}
		}
		all = append(all, l)
		before, after := p.around(found, i)
		audible, low := 0.0, 0.0
		for _, side := range []word{{before, w.from}, {w.to, after}} {
			for k := side.from; k < side.to; k++ {
				switch {
				case gains[k] >= -100*loweredDB:
				case level[k] > over:
					audible++
				case level[k] < median:
					low++
				}
			}
		}
		near = append(near, audible-2*low*noiseOver)
	}
	return all, near
}
