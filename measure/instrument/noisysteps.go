package instrument

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// A device's noise, hum and distortion move the measured gain. They would cross a threshold of
// 0.1 % of a change long before the gain itself moves. Where they could, the gain is averaged
// over whole periods of the tone. The crossings are searched outwards from the middle of the
// change, and the beginning is extrapolated from shares that are clear of the noise. Each time
// states the uncertainty that remains. (own method; a test checks the stated ± on random
// devices)

const (
	// clearOfNoise is by how many standard deviations a share must exceed the noise.
	clearOfNoise = 6
	// mostFirstShare is the largest share, in time constants from the beginning, from which the
	// beginning is extrapolated.
	mostFirstShare = 0.2
	// leastPower and mostPower bound the exponent: the time rises with a power of the share.
	leastPower, mostPower = 0.5, 1.5
	// longestAverageSeconds is the longest time over which a gain is averaged.
	longestAverageSeconds = 0.1
	// noiseBlockSeconds is the length of the blocks in which a steady gain's noise is measured,
	// each about its own straight line. It exceeds a period of 50 Hz, so that hum counts.
	noiseBlockSeconds = 0.025
)

// averaged is the gain in dB, averaged over width frames around the frame n.
func (t *GainTrace) averaged(n, width int) float64 {
	if width <= 1 {
		return t.GainDB[n]
	}
	if t.sums == nil {
		t.sums = make([]float64, len(t.GainDB)+1)
		for i, g := range t.GainDB {
			t.sums[i+1] = t.sums[i] + g
		}
	}
	half := min(width/2, n, len(t.GainDB)-1-n)
	return (t.sums[n+half+1] - t.sums[n-half] - (t.GainDB[n-half]+t.GainDB[n+half])/2) / float64(max(1, 2*half))
}

// scatter is the standard deviation, in dB, of the averaged gain over a steady stretch, and
// that of the stretch's mean.
func (t *GainTrace) scatter(from, to, width int) (each, mean float64) {
	block := min(max(int(noiseBlockSeconds*float64(t.RateHz)), 8*width), to-from)
	blocks, hop := max(1, (to-from)/block), max(1, width/2)
	for b := range blocks {
		var n, sx, sy, sxx, sxy, syy float64
		for k := from + b*block; k < from+(b+1)*block; k += hop {
			x, y := float64(k-from-b*block), t.averaged(k, width)
			n, sx, sy, sxx, sxy, syy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y, syy+y*y
		}
		cxx, cxy, cyy := sxx-sx*sx/n, sxy-sx*sy/n, syy-sy*sy/n
		if n > 2 && cxx > 0 {
			each = max(each, math.Sqrt(max(0, cyy-cxy*cxy/cxx)/(n-2)))
		}
	}
	return each, each / math.Sqrt(float64(max(1, (to-from)/max(1, width))))
}

// gainChange is a change of gain from one steady value to another.
type gainChange struct {
	trace        *GainTrace
	step         int // the frame at which the level changes
	from, to     int // the range that is searched
	first, last  float64
	before, past [2]int  // where the gain is steady, before the step and at the end
	width        int     // of the average, in frames
	sigma        float64 // standard deviation of the averaged gain, as a share of the change
	plateau      float64 // standard deviation of the two steady values, as a share of the change
}

// share is the fraction of the change that the averaged gain has made at a frame.
func (c *gainChange) share(n int) float64 {
	return (c.trace.averaged(n, c.width) - c.first) / (c.last - c.first)
}

// scatter sets the width of the average and computes the remaining noise. The noise before the
// step, where the tone has another level, counts only if the gain moves there.
func (c *gainChange) scatter(width int, ahead bool) float64 {
	all := math.Abs(c.last - c.first)
	past, pastMean := c.trace.scatter(c.past[0], c.past[1], width)
	before, beforeMean := c.trace.scatter(c.before[0], c.before[1], width)
	c.width, c.sigma, c.plateau = width, past/all, (pastMean+beforeMean)/all
	if ahead {
		c.sigma = max(past, before) / all
	}
	return c.sigma
}

// crossing finds where the averaged gain passes a share of its change, in frames from the step;
// middle is a frame at which it has passed half. The place is the minimum of the running sum of
// the gain minus that share: all frames decide, and not the first that noise lifts over it.
func (c *gainChange) crossing(middle int, share float64) (frames float64, ok bool) {
	from, to := c.from, middle
	if share >= 0.5 {
		from, to = max(c.from, middle-c.width-1), c.to-1
	}
	sum, least, at := 0.0, math.Inf(1), -1
	most := min(share, 1-share) // ringing counts no more than a settled gain
	for n := from; n < to; n++ {
		sum += max(-most, min(c.share(n)-share, most))
		if sum < least {
			least, at = sum, n
		}
	}
	if at < 0 || at == c.to-2 {
		return 0, false
	}
	a, b := c.share(at)-share, c.share(at+1)-share
	between := 0.5
	if a < 0 && b >= 0 {
		between = -a / (b - a)
	}
	return float64(at-c.step) + between, true
}

// offBy is the standard deviation of a crossing, in frames: the noise over the slope there,
// with the errors of the steady values.
func (c *gainChange) offBy(middle int, share float64) float64 {
	near := min(max(0.02, 3*c.sigma), (1-share)/2, share/2)
	low, lowOK := c.crossing(middle, share-near)
	high, highOK := c.crossing(middle, share+near)
	if !lowOK || !highOK {
		return math.Inf(1)
	}
	return math.Hypot(c.sigma, c.plateau) * max(1, high-low) / (2 * near)
}

// period is that of the tone in frames; 0 if it is unknown.
func (t *GainTrace) period() int { return 2 * t.Half }

// stepTime is a time, or the reason why it has no value.
type stepTime struct {
	passing
	reason    string
	unsettled float64 // frames of uncertainty from a gain that still moves
}

// less is the time from begin to a; the reason of either remains.
func (a stepTime) less(begin stepTime) stepTime {
	if a.reason == "" {
		a.reason = begin.reason
	}
	return stepTime{passing: a.passing.less(begin.passing), reason: a.reason}
}

// neverArrives is the reason why a gain has no time to reach a value.
const neverArrives = "the gain does not arrive within the step"

// stepTimes are the times of a change.
type stepTimes struct {
	begins, constant, tenNinety, within2 stepTime
}

// exceeds reports whether the noise may cross the share at which a change begins.
func (c *gainChange) exceeds() bool {
	return clearOfNoise*c.scatter(1, true) > beginsShare
}

// rings reports whether the gain jumps and returns where the level changes, long before the
// middle of the change.
func (c *gainChange) rings(middle int) bool {
	end := c.step + dsp.Frames(beatMs, c.trace.RateHz)
	if ahead := c.step - c.trace.period(); ahead < c.from || math.Abs(c.share(ahead)) > leastRing/3 {
		return false // the device looks ahead
	}
	for n := c.step; n < min(end, c.to) && middle > 2*end-c.step; n++ {
		if math.Abs(c.trace.GainDB[n]-c.first) > leastRing*math.Abs(c.last-c.first) {
			return true
		}
	}
	return false
}

const (
	// leastRing is a share of its change that a slow gain does not make at once. (own choice)
	leastRing = 0.3
	// longestRingMs is how long a filter of a voice processor rings at a step of 6 kHz: a bell
	// of Q 5 at 2 kHz decays by 40 dB in 4 ms.
	longestRingMs = 4
)

// noisyTimes reads the times of a change in noise.
func (c *gainChange) noisyTimes() (all stepTimes) {
	most := int(longestAverageSeconds * float64(c.trace.RateHz))
	var widths []int
	for w := 1; w <= most && 8*w < c.past[1]-c.past[0] && 8*w < c.before[1]-c.before[0]; w *= 2 {
		if w == 1 {
			widths = append(widths, 1)
			w = max(1, c.trace.period()/2)
			continue
		}
		widths = append(widths, w)
	}
	fail := func(reason string) stepTimes {
		none := stepTime{reason: reason}
		return stepTimes{none, none, none, none}
	}
	const tooNoisy = "the noise moves the gain by too much of its change; raise the level, or lower the noise"
	// The shortest average in which the middle of the change is clear of the noise shows the
	// time constant.
	start := -1
	for i, w := range widths {
		if clearOfNoise*c.scatter(w, true) <= mostFirstShare {
			start = i
			break
		}
	}
	if start < 0 {
		return fail(tooNoisy)
	}
	var middle int
	var first, t1, t2, t4 float64
	ahead := false
	for pass := 0; ; pass++ {
		var found bool
		if middle, found = c.trace.middle(c.first, c.last-c.first, c.from, c.to); !found {
			return fail(neverArrives)
		}
		early, earlyOK := c.crossing(max(middle, c.from), 0.2)
		late, lateOK := c.crossing(max(middle, c.from), 0.632)
		if !earlyOK || !lateOK {
			return fail(neverArrives)
		}
		constant := max(1, (late-early)/0.777)
		best, least := -1, math.Inf(1)
		for _, w := range widths {
			clear, blurred := max(beginsShare, clearOfNoise*c.scatter(w, ahead)), 0.75*float64(w)/constant
			if w == 1 {
				blurred = 0
			}
			if at := max(clear, blurred); clear <= mostFirstShare && at < least {
				best, least = w, at
			}
		}
		if best < 0 {
			return fail(tooNoisy)
		}
		c.scatter(best, ahead)
		first = min(least, mostFirstShare)
		if c.rings(middle) { // the shares that are read lie after the ringing
			first = min(max(first, float64(dsp.Frames(longestRingMs, c.trace.RateHz))/constant), mostFirstShare)
		}
		var ok [3]bool
		t1, ok[0] = c.crossing(middle, 1-math.Exp(-first))
		t2, ok[1] = c.crossing(middle, 1-math.Exp(-2*first))
		t4, ok[2] = c.crossing(middle, 1-math.Exp(-4*first))
		if ok != [3]bool{true, true, true} {
			return fail(tooNoisy)
		}
		wasAhead := ahead
		ahead = ahead || t1 < 0
		if pass >= 1 && ahead == wasAhead || pass >= 4 {
			break
		}
	}
	// The beginning is extrapolated: the time rises with a power of the share, 1 for an
	// exponential and 1/2 for two in series. The uncertainty of the exponent from noise makes
	// the beginning uncertain. Where it is large, an exponential is assumed.
	d1, d2 := max(t2-t1, 1e-9), max(t4-t2, 1e-9)
	slow := max(d1, (t4-t1)/3)                                                              // noise may move two crossings together
	each := math.Hypot(c.sigma, c.plateau) * slow / (math.Exp(-first) - math.Exp(-2*first)) // standard deviation of t1
	back := func(power float64) float64 {
		return t1 - (t4-t1)*(1-math.Pow(beginsShare/first, power))/(math.Pow(4, power)-1)
	}
	limit := func(power float64) float64 { return max(leastPower, min(power, mostPower)) }
	// The standard deviation of d2/d1 is about 3.7 times each/d1, and d2/d1 = 2^power.
	power, open := limit(math.Log2(d2/d1)), 2*3.7*(each+0.5)/slow/(2*math.Ln2)
	low, high := limit(power-open), limit(power+open)
	if open > 0.25 {
		power = 1
	}
	begins := back(power)
	off := 2*math.Sqrt(5)*each + max(begins-back(low), back(high)-begins, 0)
	off += float64(c.width)/8 + float64(c.trace.period())/2
	// A filter that rings beside the step moves the averages; a test checks this bound on
	// random filters.
	beat := float64(dsp.Frames(beatMs, c.trace.RateHz))
	if off += beat / 16; c.rings(middle) {
		off += beat
	}
	if t1 >= 0 && begins < 0 && begins+off >= 0 {
		begins = 0 // the gain moved after the step: only noise puts it before
	}
	all.begins = stepTime{passing: passing{begins, off}}
	at := func(share float64) stepTime {
		frames, ok := c.crossing(middle, share)
		if !ok {
			return stepTime{reason: neverArrives}
		}
		off := 2*c.offBy(middle, share) + 1
		if math.IsInf(off, 0) {
			return stepTime{reason: tooNoisy}
		}
		return stepTime{passing: passing{frames, off}}
	}
	all.constant = at(1 - 1/math.E).less(all.begins)
	all.tenNinety = at(0.9).less(at(0.1))
	if change := math.Abs(c.last - c.first); change > 2 {
		all.within2 = at(1 - 2/change)
		all.within2.off += float64(c.trace.period()) / 2
	}
	return all
}
