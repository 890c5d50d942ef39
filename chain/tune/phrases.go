package tune

import (
	"math"
	"slices"
)

// phrases returns the stretches of a take in which speech is audible: where it is at least as
// strong as the noise of its part, so that both together are 3 dB over it. Where the detector's
// reading of the noise alone moves by more than that, a phrase is found by its louder part, and
// then extended over the soft sounds beside it.
// The detector's window ends with its millisecond, so its reading is that of the sound half a
// window earlier.
func (a *takeAnalysis) phrases() (all []word) {
	for _, p := range a.parts() {
		for _, w := range p.phrases(a.tracks.level) {
			all = append(all, word{max(0, w.from-window/2), max(0, w.to-window/2)})
		}
	}
	return all
}

func (p part) phrases(level []int16) []word {
	over := max(p.noise.top+wordOverNoiseDB, p.noise.pauseDBFS+audibleDB)
	all := p.words(level, over)
	if over == p.noise.pauseDBFS+audibleDB {
		return all
	}
	extended := slices.Clone(all)
	for i, w := range all {
		before, after := p.around(all, i)
		extended[i].from -= p.softMs(level, w.from-1, before-1, -1)
		extended[i].to += p.softMs(level, w.to, after, 1)
	}
	return extended
}

// around returns the time around a word that belongs to it: up to 200 ms on either side, and
// half of the way to the next word.
func (p part) around(all []word, i int) (before, after int) {
	w := all[i]
	before, after = max(p.from, w.from-wordEdgesMs), min(p.to, w.to+wordEdgesMs)
	if i > 0 {
		before = max(before, (all[i-1].to+w.from)/2)
	}
	if i+1 < len(all) {
		after = min(after, (all[i+1].from+w.to)/2)
	}
	return before, after
}

// leastSoftMs is the shortest soft sound beside a word that counts: longer than the
// detector's window, because its reading of the noise may be high by chance for that time.
const leastSoftMs = 25

// softMs returns for how many milliseconds beside a word, from one millisecond up to another,
// soft speech lasts: the stretch whose power exceeds that of audible speech by the largest sum.
// Noise alone is half as strong, so its sum falls.
func (p part) softMs(level []int16, from, to, step int) (ms int) {
	audible := powerOf(int16(max(quietest, min(10000, math.Round(100*(p.noise.pauseDBFS+audibleDB))))))
	sum, most := 0.0, 0.0
	for k, n := from, 1; k != to; k, n = k+step, n+1 {
		if sum += powerOf(level[k]) - audible; sum > most && n >= leastSoftMs {
			most, ms = sum, n
		}
	}
	return ms
}

// A phrase is cut at its end or start where at least so many milliseconds of the last or first
// ones are attenuated by more than cutDB.
const (
	endMs, leastEndCutMs     = 150, 20
	startMs, leastStartCutMs = 50, 10
	cutDB                    = 3
	// Largest accepted shares of the phrases that are cut at their end and at their start. (own
	// choice)
	mostEndsCut, mostStartsCut = 0.01, 0.03
	// What the model counts as a cut. The gains of a run differ from it by 0.3 dB, and by a few
	// milliseconds.
	predictedCutDB                         = cutDB - 0.3
	predictedEndCutMs, predictedStartCutMs = leastEndCutMs - 5, leastStartCutMs - 3
)

// end and start return the part of a phrase that counts as its end or start.
func (w word) end() word   { return word{max(w.from, w.to-endMs), w.to} }
func (w word) start() word { return word{w.from, min(w.to, w.from+startMs)} }

// rangeByCuts returns the largest range with which an expander cuts at most the accepted shares
// of the phrases' ends and starts, and their numbers with the full range. The gains are those of
// the full range, mostRangeDB; the attenuation of each millisecond is proportional to it.
func (a *takeAnalysis) rangeByCuts(gains []int16) (rangeDB float64, cuts predictedCuts) {
	// The attenuation that makes the edge of a phrase a cut, in hundredths of a dB.
	attenuation := func(edge word, least int) int16 {
		if edge.to-edge.from < least {
			return 0
		}
		part := slices.Sorted(slices.Values(gains[edge.from:edge.to]))
		return -part[least-1]
	}
	var ends, starts []int16
	for _, w := range a.phrases() {
		ends, starts = append(ends, attenuation(w.end(), predictedEndCutMs)), append(starts, attenuation(w.start(), predictedStartCutMs))
	}
	cuts = predictedCuts{phrases: len(ends), ends: countOver(ends, 100*predictedCutDB), starts: countOver(starts, 100*predictedCutDB)}
	rangeDB = mostRangeDB
	for _, edge := range []struct {
		attenuations []int16
		accepted     float64
	}{{ends, mostEndsCut}, {starts, mostStartsCut}} {
		slices.SortFunc(edge.attenuations, func(x, y int16) int { return int(y) - int(x) })
		if n := int(edge.accepted * float64(len(edge.attenuations))); n < len(edge.attenuations) && edge.attenuations[n] > 100*predictedCutDB {
			rangeDB = min(rangeDB, mostRangeDB*100*predictedCutDB/float64(edge.attenuations[n]))
		}
	}
	return rangeDB, cuts
}

// predictedCuts are the phrases that an expander with the full range cuts.
type predictedCuts struct{ phrases, ends, starts int }

// countOver counts the values over a limit.
func countOver(values []int16, limit int16) (n int) {
	for _, v := range values {
		if v > limit {
			n++
		}
	}
	return n
}
