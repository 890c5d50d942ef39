package tune

import (
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/take"
)

// The expander's rule. The threshold is 6 dB over the noise, and 2 dB over what the
// expander's own detector reads of the noise in all but one millisecond of a thousand.
// It is never lowered to save speech: the range is. The side chain is 150 Hz
// always: rooms fall with frequency, so it separates noise from soft speech, and a
// corner that was chosen from the take would make the threshold jump where the choice
// flips. (own choice; what it does is measured in tests with known rooms)
const (
	overFloorDB, overNoiseDB                = 6, 2
	hysteresisDB, expanderAttackMs          = 3, 1
	expanderLookaheadMs, expanderHoldMs     = 25, 120
	expanderReleaseMs, mostRangeDB          = 120, 12
	leastRangeDB, mostLoweredShare          = 4, 0.02
	leastRatio, mostRatio                   = 1.5, 4
	nothingToGainDBFS                       = -90
	wordOverNoiseDB, wordGapMs, wordEdgesMs = 1, 100, 200
)

// noiseLevels are the readings of the expander's detector in the inside of pauses: of
// frames that have pauses on both sides.
func (a *takeAnalysis) noiseLevels(isPause func(i int) bool) []int16 {
	_, hop := take.PauseFrames(a.tracks.rate)
	var all []int16
	for i := 1; ; i++ {
		from, to := a.tracks.msOf(int64(i)*int64(hop)), a.tracks.msOf(int64(i+1)*int64(hop))
		if to > len(a.tracks.level) {
			return all
		}
		if isPause(i-1) && isPause(i) && isPause(i+1) {
			all = append(all, a.tracks.level[from:to]...)
		}
	}
}

// noiseTop is the level that the detector's reading of a noise exceeds for one
// millisecond in a thousand, from quantiles that a tenth of disturbances cannot move:
// the P99.9 of a chi-square level lies 2.03, 2.21 and 2.31 times as far over the median
// as P90 does for 4, 20 and 100 degrees of freedom; 2.4 less a tenth of the distance in
// dB is on the safe side of all.
func noiseTop(levels []int16) (top float64, ok bool) {
	if len(levels) < 75 {
		return 0, false
	}
	sorted := slices.Clone(levels)
	slices.Sort(sorted)
	median := float64(sorted[len(sorted)/2]) / 100
	d := float64(sorted[len(sorted)*9/10])/100 - median
	return median + (2.4-0.1*d)*d, true
}

// expanderGains are the gains of an expander over the milliseconds of a track, in
// hundredths of a dB, by the expander itself at a rate of 1 kHz: its detector's reading
// is the track.
func expanderGains(level []int16, s dsp.ExpanderSettings) []int16 {
	s.Detector, s.DetectorWindowMs, s.SidechainHighPassHz = dsp.Peak, 1, 0
	e, err := dsp.NewExpander(s, 1000, 1)
	if err != nil {
		panic(err) // the settings are ours
	}
	return tracedGains(e, level, e.Latency())
}

// tracedGains runs a stage over a track at 1 kHz, some seconds at a time.
func tracedGains(stage dsp.GainTracer, level []int16, latency int) []int16 {
	const piece = 1 << 13
	x, gain := make([]float64, piece), make([]float64, piece)
	all := make([]int16, 0, len(level))
	for from := 0; from < len(level)+latency; from += piece {
		n := min(piece, len(level)+latency-from)
		for k := range n {
			x[k] = 0
			if from+k < len(level) {
				x[k] = dsp.DBToAmplitude(float64(level[from+k]) / 100)
			}
		}
		stage.ProcessTraced(dsp.Block{x[:n]}, dsp.Block{gain[:n]})
		for k, g := range gain[:n] {
			if from+k >= latency {
				all = append(all, centibels(g*g))
			}
		}
	}
	return all
}

// word is a stretch of speech in milliseconds.
type word struct{ from, to int }

// words are where the detector's level is over the noise: the majority of 11 ms, gaps
// under 100 ms joined.
func words(level []int16, over float64) (all []word) {
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
		if n := len(all); n > 0 && ms-all[n-1].to < wordGapMs {
			all[n-1].to = ms + 1
		} else {
			all = append(all, word{ms, ms + 1})
		}
	}
	return all
}

// loweredShare predicts the share of the time of speech that an expander lowers by more
// than 1 dB: in words, and, near them, what is closed beyond twice what lies under the
// median of the noise: noise lies under its median half of the time, and what is more
// is speech hidden in it. The worst tenth of the words does not count: a car that
// passes is no word.
func (a *takeAnalysis) loweredShare(gains []int16, all []word, medianDBFS float64) float64 {
	type loss struct{ lowered, total float64 }
	var losses []loss
	under := int16(100 * medianDBFS)
	for i, w := range all {
		l := loss{total: float64(w.to - w.from)}
		for _, g := range gains[w.from:w.to] {
			if g < -100 {
				l.lowered++
			}
		}
		before, after := max(0, w.from-wordEdgesMs), min(len(gains), w.to+wordEdgesMs)
		if i > 0 {
			before = max(before, (all[i-1].to+w.from)/2)
		}
		if i+1 < len(all) {
			after = min(after, (all[i+1].from+w.to)/2)
		}
		closed, low := 0.0, 0.0
		for _, part := range []word{{before, w.from}, {w.to, after}} {
			for k := part.from; k < part.to; k++ {
				if gains[k] < -100 {
					closed++
					if a.tracks.level[k] < under {
						low++
					}
				}
			}
		}
		l.lowered += max(0, closed-2*low)
		losses = append(losses, l)
	}
	slices.SortFunc(losses, func(x, y loss) int { return int(math.Copysign(1, x.lowered/x.total-y.lowered/y.total)) })
	losses = losses[:len(losses)-len(losses)/10]
	lowered, total := 0.0, 0.0
	for _, l := range losses {
		lowered, total = lowered+l.lowered, total+l.total
	}
	return lowered / max(1, total)
}
