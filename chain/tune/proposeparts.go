package tune

import (
	"math"
	"slices"

	"github.com/boothbench/boothbench/measure/take"
)

// noiseReading is the noise of a take, or of parts of it, above 150 Hz.
type noiseReading struct {
	pauseDBFS float64 // of the noisiest channel
	levels    []int16 // readings of the expander's detector in the pauses, hundredths of a dB, sorted
	top       float64 // the level that they exceed for one millisecond in a thousand, dB
}

// part is a stretch of a take in milliseconds, and the noise in it.
type part struct {
	word
	noise *noiseReading
}

// parts divides a take by its noise: where it has two floors, speech is audible down to the
// lower one in the parts with the lower one.
func (a *takeAnalysis) parts() []part {
	end := len(a.tracks.level)
	if a.lower == nil {
		return []part{{word{0, end}, &a.noise}}
	}
	var all []part
	at := 0
	for _, higher := range a.higherTimes() {
		from, to := min(end, higher.from), min(end, higher.to)
		all = append(all, part{word{at, from}, a.lower}, part{word{from, to}, &a.noise})
		at = to
	}
	all = append(all, part{word{at, end}, a.lower})
	return slices.DeleteFunc(all, func(p part) bool { return p.from >= p.to })
}

// higherTimes returns the times in milliseconds in which any channel that counts may have the
// higher one of its two floors, in order and without overlap: from the last pause with the lower
// one to the next. In between only the pauses of the higher one are certain, and its noise must
// not be taken for speech over the lower one.
func (a *takeAnalysis) higherTimes() (all []word) {
	length, hop := take.PauseFrames(a.format.Rate)
	for c, f := range a.inspection.Floors {
		if a.whyIgnored(c) != "" {
			continue
		}
		for _, h := range f.Higher {
			first, last := int(h[0]/int64(hop)), int(h[1]/int64(hop))
			for first > 0 && !f.Lower.IsPause(first-1) {
				first--
			}
			for int64(last)*int64(hop) < a.frames && !f.Lower.IsPause(last) {
				last++
			}
			from, to := int64(first), int64(last)*int64(hop)
			if first > 0 {
				from = int64(first-1)*int64(hop) + int64(length)
			}
			if from < to {
				all = append(all, word{a.tracks.of(from), a.tracks.of(to)})
			}
		}
	}
	slices.SortFunc(all, func(x, y word) int { return x.from - y.from })
	joined := all[:0]
	for _, w := range all {
		if n := len(joined); n > 0 && w.from <= joined[n-1].to {
			joined[n-1].to = max(joined[n-1].to, w.to)
		} else {
			joined = append(joined, w)
		}
	}
	return joined
}

// readLower reads the noise of the parts with the lower floor, where there are two.
func (a *takeAnalysis) readLower() {
	a.lower = nil
	two, pauseDBFS := false, math.Inf(-1)
	for c, f := range a.inspection.Floors {
		if a.whyIgnored(c) != "" {
			continue
		}
		if f.Lower != nil {
			two, f = true, *f.Lower
		}
		pauseDBFS = max(pauseDBFS, f.PauseDBFS)
	}
	if !two {
		return
	}
	lower := &noiseReading{pauseDBFS: pauseDBFS, levels: a.noiseLevels(func(i int) bool {
		for c, f := range a.inspection.Floors {
			if f.Lower != nil {
				f = *f.Lower
			}
			if !f.IsPause(i) && a.whyIgnored(c) == "" {
				return false
			}
		}
		return true
	})}
	var ok bool
	if lower.top, ok = noiseTop(lower.levels); ok {
		a.lower = lower
	}
}
