package take

import "math"

// levelCounts counts how often each level occurs, in hundredths of a dB. It answers
// what sorted levels would, in memory that does not grow with the take.
type levelCounts struct {
	counts []int32 // by level less lowestLevel
	total  int
	lo, hi int // the least and the largest that occurred, as indices
}

func newLevelCounts() *levelCounts {
	c := &levelCounts{counts: make([]int32, highestLevel-lowestLevel+1)}
	c.clear()
	return c
}

func (c *levelCounts) add(level int16) {
	i := int(level) - lowestLevel
	c.counts[i]++
	c.total++
	c.lo, c.hi = min(c.lo, i), max(c.hi, i)
}

func (c *levelCounts) clear() {
	if c.total > 0 {
		clear(c.counts[c.lo : c.hi+1])
	}
	c.total, c.lo, c.hi = 0, len(c.counts), -1
}

// between is the number of levels from one to another, both in hundredths of a dB and
// both included.
func (c *levelCounts) between(from, to int) (count int) {
	for i := max(c.lo, from-lowestLevel); i <= min(c.hi, to-lowestLevel); i++ {
		count += int(c.counts[i])
	}
	return count
}

// quantile is the level in dB below which a share of the levels is.
func (c *levelCounts) quantile(share float64) float64 {
	need, seen := share*float64(c.total), 0.0
	for i := c.lo; i <= c.hi; i++ {
		if seen += float64(c.counts[i]); seen >= need {
			return float64(i+lowestLevel) / 100
		}
	}
	return math.Inf(-1)
}

// deviation is the median distance from a level, in dB.
func (c *levelCounts) deviation(from float64) float64 {
	centre, seen := int(math.Round(100*from))-lowestLevel, 0
	for d := 0; d <= len(c.counts); d++ {
		if i := centre - d; i >= c.lo && i <= c.hi {
			seen += int(c.counts[i])
		}
		if i := centre + d; d > 0 && i >= c.lo && i <= c.hi {
			seen += int(c.counts[i])
		}
		if 2*seen >= c.total {
			return float64(d) / 100
		}
	}
	return 0
}

// The density of levels: its grid and its smoothing in hundredths of a dB, and how far
// from a maximum the levels lie that make it significant.
const (
	densityStep, densityWidth, modeReach = 10, 70, 150
	densityReach                         = 400
)

// kernel is the smoothing at a distance in hundredths of a dB.
var kernel = func() (k [densityReach + 1]float64) {
	for i := range k {
		d := float64(i) / densityWidth
		k[i] = math.Exp(-d * d / 2)
	}
	return k
}()

// lowestMode is the lowest significant maximum of the density of the levels, in
// hundredths of a dB: one that holds 3 % of them, and six at least, within 1.5 dB.
func (c *levelCounts) lowestMode() (int, bool) {
	if c.total == 0 {
		return 0, false
	}
	need := max(0.03*float64(c.total), 6)
	from := c.lo - 200
	n := (c.hi+200-from)/densityStep + 1
	before, here := c.density(from), c.density(from+densityStep)
	for k := 1; k < n-1; k++ {
		after := c.density(from + (k+1)*densityStep)
		level := from + k*densityStep + lowestLevel
		if here >= before && here > after && float64(c.between(level-modeReach, level+modeReach)) >= need {
			return level, true
		}
		before, here = here, after
	}
	return 0, false
}

// density is the smoothed number of levels at an index.
func (c *levelCounts) density(at int) (sum float64) {
	for i := max(c.lo, at-densityReach); i <= min(c.hi, at+densityReach); i++ {
		if c.counts[i] > 0 {
			d := at - i
			sum += float64(c.counts[i]) * kernel[max(d, -d)]
		}
	}
	return sum
}

// spreadBelow is the rms distance in dB of the levels below a mode from it, down to
// 8 dB below: sound louder than the noise does not reach there.
func (c *levelCounts) spreadBelow(mode int) float64 {
	sum, count := 0.0, 0
	for level := mode - 799; level <= mode; level++ {
		if i := level - lowestLevel; i >= c.lo && i <= c.hi {
			d := float64(mode-level) / 100
			sum += float64(c.counts[i]) * d * d
			count += int(c.counts[i])
		}
	}
	if count == 0 {
		return 0.3
	}
	return min(3, max(0.3, math.Sqrt(sum/float64(count))))
}
