package measure

import (
	"math"
	"slices"
)

// loudnessRange is the spread of the short-term loudness (EBU Tech 3342 v4):
// windows of 3 s, step hops of 100 ms apart, that are not softer than −70 LUFS
// nor than 20 LU under the mean of those; from their 10th to their 95th
// percentile. The standard asks for an overlap of 2.9 s at least: a step of 1.
// No silence is appended, as it would be gated away.
func (l *Loudness) loudnessRange(step int) (float64, bool) {
	counts := func(i int, p float64) bool { return i%step == 0 && p > 0 && lufs(p) >= absoluteGateLUFS }
	sum, count := 0.0, 0
	for i, p := range l.powers(shortTermSlots / slotsPerHop) {
		if counts(i, p) {
			sum, count = sum+p, count+1
		}
	}
	if count == 0 {
		return 0, false
	}
	gate := lufs(sum/float64(count)) + rangeGateLU
	kept := make([]float64, 0, count)
	for i, p := range l.powers(shortTermSlots / slotsPerHop) {
		if v := lufs(p); counts(i, p) && v >= gate {
			kept = append(kept, v)
		}
	}
	slices.Sort(kept)
	return percentile(kept, 95) - percentile(kept, 10), true
}

// percentile is by the nearest rank of sorted values (Tech 3342's reference
// code).
func percentile(sorted []float64, p float64) float64 {
	return sorted[int(math.Round(float64(len(sorted)-1)*p/100))]
}
