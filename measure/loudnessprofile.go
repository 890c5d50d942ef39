package measure

import (
	"iter"
	"math"
	"slices"
)

// LoudnessProfile is the K-weighted energy of every 100 ms of a sound, over all channels.
// Gated loudness and loudness range are computed from it. It can be stored, changed by a
// gain over time, and pooled with others.
type LoudnessProfile struct {
	RateHz   int       `json:"rate_hz"`
	Energies []float64 `json:"energies"` // sums of squares, full scale 1.0
}

const (
	blockHops     = 4                            // of 400 ms
	shortTermHops = shortTermSlots / slotsPerHop // of 3 s
)

// powers are the mean powers of all windows of a number of hops, each one hop later than
// the one before.
func (p LoudnessProfile) powers(window int) iter.Seq2[int, float64] {
	return func(yield func(int, float64) bool) {
		for i := 0; i+window <= len(p.Energies); i++ {
			sum := 0.0
			for _, e := range p.Energies[i : i+window] {
				sum += e
			}
			from, to := slotStart(int64(i)*slotsPerHop, p.RateHz), slotStart(int64(i+window)*slotsPerHop, p.RateHz)
			if !yield(i, sum/float64(to-from)) {
				return
			}
		}
	}
}

// HopEnd is the frame at which a hop ends; hops count from 0.
func (p LoudnessProfile) HopEnd(hop int) int64 {
	return slotStart(int64(hop+1)*slotsPerHop, p.RateHz)
}

// Integrated is the gated loudness in LUFS; false where no block is over the gate.
func (p LoudnessProfile) Integrated() (float64, bool) { return PooledLoudness(p) }

// PooledLoudness is the gated loudness in LUFS of several sounds as one programme:
// the mean power of the 400 ms blocks of all of them that are louder than −70 LUFS
// and than 10 LU under the mean of those (Rec. ITU-R BS.1770-5 Annex 1). No block
// reaches over the end of a sound. It is false where no block is over the gate.
func PooledLoudness(sounds ...LoudnessProfile) (float64, bool) {
	gate, ok := blockGate(sounds)
	if !ok {
		return 0, false
	}
	mean, ok := gatedMean(sounds, gate)
	return lufs(mean), ok
}

// blockGate is the loudness in LUFS above which a block counts.
func blockGate(sounds []LoudnessProfile) (float64, bool) {
	above, ok := gatedMean(sounds, absoluteGateLUFS)
	return max(absoluteGateLUFS, lufs(above)+relativeGateLU), ok
}

// gatedMean is the mean of the powers of blocks that are louder than a gate.
func gatedMean(sounds []LoudnessProfile, gateLUFS float64) (float64, bool) {
	sum, count := 0.0, 0
	for _, s := range sounds {
		for _, p := range s.powers(blockHops) {
			if p > 0 && lufs(p) > gateLUFS {
				sum, count = sum+p, count+1
			}
		}
	}
	return sum / float64(max(1, count)), count > 0
}

// CountedHops reports, for each 100 ms of each sound, whether it is part of a block that
// counts in the pooled loudness.
func CountedHops(sounds ...LoudnessProfile) [][]bool {
	gate, ok := blockGate(sounds)
	counted := make([][]bool, len(sounds))
	for s, sound := range sounds {
		counted[s] = make([]bool, len(sound.Energies))
		for i, p := range sound.powers(blockHops) {
			if ok && p > 0 && lufs(p) > gate {
				for h := range blockHops {
					counted[s][i+h] = true
				}
			}
		}
	}
	return counted
}

// ShortTermMax is the largest loudness over 3 s in LUFS, in steps of 100 ms; Loudness
// uses steps of 10 ms. It is false for less than 3 s and for silence.
func (p LoudnessProfile) ShortTermMax() (float64, bool) {
	largest := 0.0
	for _, power := range p.powers(shortTermHops) {
		largest = max(largest, power)
	}
	return lufs(largest), largest > 0
}

// Range is the loudness range in LU (EBU Tech 3342 v4); false where nothing counts.
func (p LoudnessProfile) Range() (float64, bool) { return p.loudnessRange(1) }

// PooledRange is the loudness range in LU of several sounds one after the other, which may
// differ in rate; false where nothing counts.
func PooledRange(sounds ...LoudnessProfile) (float64, bool) {
	if len(sounds) == 0 {
		return 0, false
	}
	all := LoudnessProfile{RateHz: sounds[0].RateHz}
	for _, s := range sounds {
		scale := float64(all.RateHz) / float64(s.RateHz) // sums of squares of as many more frames
		for _, e := range s.Energies {
			all.Energies = append(all.Energies, e*scale)
		}
	}
	return all.Range()
}

// loudnessRange is the spread of the short-term loudness (EBU Tech 3342 v4):
// windows of 3 s, step hops of 100 ms apart, that are not softer than −70 LUFS
// nor than 20 LU under the mean of those; from their 10th to their 95th
// percentile. The standard asks for an overlap of 2.9 s at least: a step of 1.
// No silence is appended, as it would be gated away.
func (p LoudnessProfile) loudnessRange(step int) (float64, bool) {
	counts := func(i int, power float64) bool { return i%step == 0 && power > 0 && lufs(power) >= absoluteGateLUFS }
	sum, count := 0.0, 0
	for i, power := range p.powers(shortTermHops) {
		if counts(i, power) {
			sum, count = sum+power, count+1
		}
	}
	if count == 0 {
		return 0, false
	}
	gate := lufs(sum/float64(count)) + rangeGateLU
	kept := make([]float64, 0, count)
	for i, power := range p.powers(shortTermHops) {
		if v := lufs(power); counts(i, power) && v >= gate {
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
