package instrument

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// GainTrace is a gain in dB, frame by frame, while the sound's level goes up at one frame and
// down again at a later one.
type GainTrace struct {
	RateHz   int
	GainDB   []float64
	Up, Down int
	Half     int // frames in which each gain is measured; 0: one

	sums []float64 // cumulative sums of the gain
}

// beginsShare is the share of a change at which the gain counts as moving. It makes a time
// constant 0.1 % short.
const beginsShare = 0.001

// leastStepDB is the least change of gain whose times are read.
const leastStepDB = 0.2

// Definitions of the time from one gain to another. All three are in use, and a data sheet
// seldom states which: from 0 to 90 % takes 2.3 time constants, from 10 to 90 % takes 2.2.
// (common practice, no source; "within 2 dB of final": IEC 60268-8)
const (
	constantText = "from where the gain has changed by 0.1 % to where it has by 63.2 % (1 − 1/e), in dB"
	tenNinetText = "from 10 % to 90 % of the change in dB"
	within2Text  = "from the change of level to where the gain comes within 2 dB of its last value"
	beginsText   = "from the change of level to where the gain has changed by 0.1 %; below 0 the gain moves ahead of the sound: look-ahead"
)

// Readings are attack_ms, attack_10_90_ms, attack_within_2db_ms, attack_begins_ms and
// attack_change_db for the step up, and the same with release_ for the step down;
// release_begins_ms is the hold. step_overshoot_db is by how much the gain after the step up
// exceeds its last value.
func (t GainTrace) Readings() measure.Readings {
	return t.readings()
}

func (t *GainTrace) readings() (r measure.Readings) {
	during := t.Down - t.Up
	rest := len(t.GainDB) - t.Down
	low := [2]int{t.Up / 2, t.Up * 9 / 10}
	loud := [2]int{t.Up + during*8/10, t.Up + during*95/100}
	back := [2]int{t.Down + rest*8/10, t.Down + rest*95/100}
	before, high, after := t.mean(low[0], low[1]), t.mean(loud[0], loud[1]), t.mean(back[0], back[1])
	attack, release := t.unsettledReasons(low, loud, back)
	t.addTimes(&r, "attack", attack, gainChange{trace: t, step: t.Up, from: low[1], to: t.Down, first: before, last: high, before: low, past: loud})
	t.addTimes(&r, "release", release, gainChange{trace: t, step: t.Down, from: loud[1], to: len(t.GainDB), first: high, last: after, before: loud, past: back})
	over := measure.Reading{Unit: "dB", Reference: "the level at the end of the step", Definition: "largest gain after the step up over the gain at its end"}
	for n, g := range t.GainDB[t.Up:t.Down] {
		if g-high <= over.Value {
			continue
		}
		over.Value, over.Bound = g-high, ""
		// Each gain is measured over half a period, in which it falls.
		if next := t.Up + n + t.Half; t.Half > 0 && next < t.Down && g-t.GainDB[next] >= leastStatedDB {
			over.Bound = fmt.Sprintf("±%.2g dB, what the gain falls by in the half period that it is read from", g-t.GainDB[next])
		}
	}
	over.Reason = noGain(high)
	if over.Reason == "" {
		over.Reason = attack
	}
	r.Add("step_overshoot_db", over)
	return r
}

// noGain is the reason why a gain has no value, "" if it has one.
func noGain(db float64) string {
	if db-db != 0 {
		return "the input or the output is 0 where the gain is measured"
	}
	return ""
}

func (t *GainTrace) mean(from, to int) float64 {
	sum := 0.0
	for _, g := range t.GainDB[from:to] {
		sum += g
	}
	return sum / float64(to-from)
}

// addTimes adds the times of a change of gain, or the reason why it has none. moves is the
// reason if the gain is not steady on both sides, else "".
func (t *GainTrace) addTimes(r *measure.Readings, name, moves string, c gainChange) {
	change := c.last - c.first
	reason := noGain(change)
	if reason == "" {
		reason = moves
	}
	why := reason
	if reason == "" && !(math.Abs(change) >= leastStepDB) {
		reason = fmt.Sprintf("the gain changes by %.2f dB only; at least %g dB are needed", math.Abs(change), leastStepDB)
	}
	ms := func(frames float64) float64 { return frames * 1000 / float64(t.RateHz) }
	var all stepTimes
	bound := ""
	switch {
	case reason != "":
		none := stepTime{reason: reason}
		all = stepTimes{none, none, none, none}
	case c.exceeds():
		all = c.withSettling((*gainChange).noisyTimes)
		_, before := t.scatter(c.before[0], c.before[1], 1)
		_, past := t.scatter(c.past[0], c.past[1], 1)
		bound = fmt.Sprintf("±%.2g dB by the noise of the gain", 2*math.Hypot(before, past))
	default:
		all = c.withSettling((*gainChange).clearTimes)
	}
	times := []struct {
		name, text string
		stepTime
	}{
		{"_ms", constantText, all.constant},
		{"_10_90_ms", tenNinetText, all.tenNinety},
		{"_within_2db_ms", within2Text, all.within2},
		{"_begins_ms", beginsText, all.begins},
	}
	for _, x := range times {
		about := measure.Reading{Value: ms(x.frames), Unit: "ms", Reason: x.reason, Definition: x.text}
		if x.name == "_within_2db_ms" && reason == "" && math.Abs(change) <= 2 {
			about.Reason = fmt.Sprintf("the whole change is %.2f dB", math.Abs(change))
		}
		off := 0.0
		if t.Half > 0 {
			off = math.Hypot(math.Hypot(x.off, float64(t.Half)/2), x.unsettled)
		}
		if off >= leastStatedFrames && about.Reason == "" {
			about.Bound = fmt.Sprintf("±%.2g ms: noise, the half period that each gain is read from, and what the gain has not settled", ms(off))
		}
		r.Add(name+x.name, about)
	}
	r.Add(name+"_change_db", measure.Reading{Value: change, Bound: bound, Reason: why, Unit: "dB", Definition: "gain at the end less gain before the step"})
}

// passing is where a gain passes a share of its change, and the uncertainty of that place, both
// in frames.
type passing struct{ frames, off float64 }

// less is the time from one passing to another.
func (p passing) less(begin passing) passing {
	return passing{p.frames - begin.frames, math.Hypot(p.off, begin.off)}
}

// leastStatedFrames is the least uncertainty of a time that is reported.
const leastStatedFrames = 0.5

// A filter ahead of the gain or after it rings where the level changes. During that the ratio
// of output to input jumps by as much as the level, and back. So a change is searched from its
// middle outwards, and the ringing before it is not reached.

// middle is the first frame from which a gain has made more than half of a change, ringing
// apart: where the running sum of the gain's share minus a half is least.
func (t *GainTrace) middle(gain, change float64, from, to int) (at int, found bool) {
	sum, least, at := 0.0, 0.0, -1
	for n := from + 1; n < to; n++ {
		// Ringing counts no more than a settled gain.
		if v := (t.GainDB[n]-gain)/change - 0.5; v-v == 0 {
			sum += max(-0.5, min(v, 0.5))
		}
		if at < 0 || sum < least {
			least, at = sum, n
		}
	}
	// After the least sum the gain is over the half, if it ever is.
	return at + 1, at >= 0 && at+1 < to
}

// passing finds where the gain passes a share of a change, in frames: for shares up to a half
// the last time before the middle, for larger ones the first time after it.
func (t *GainTrace) passing(gain, change, share float64, from, middle, to int) (at float64, found bool) {
	passes := func(n int) bool {
		a, b := (t.GainDB[n-1]-gain)/change-share, (t.GainDB[n]-gain)/change-share
		at = float64(n) - b/(b-a)
		return a < 0 && b >= 0
	}
	if share <= 0.5 {
		for n := middle; n > from; n-- {
			if passes(n) {
				return at, true
			}
		}
		return 0, false
	}
	for n := max(from+1, middle-1); n < to; n++ {
		if passes(n) {
			return at, true
		}
	}
	return 0, false
}

// begunShare is a share of a change that only the change itself reaches and keeps: a filter's
// ringing beside a step of level falls below it again.
const begunShare = 0.1

// begins finds where the gain passes a share of a change for good, in frames; off is the
// uncertainty. Where a filter rings up to that place, ringing may hide the beginning, and the
// middle of the possible range is taken.
func (t *GainTrace) begins(gain, change, share float64, from, middle, to int) (at, off float64, found bool) {
	begun, found := t.passing(gain, change, max(begunShare, 2*share), from, middle, to)
	if !found {
		return 0, 0, false
	}
	at, found = t.passing(gain, change, share, from, int(begun)+1, to)
	if !found {
		return 0, 0, false
	}
	part := func(n int) float64 { return (t.GainDB[n] - gain) / change }
	first, last := -1, -1 // of the ringing
	for n := from; n < int(at); n++ {
		if math.Abs(part(n)) > share {
			if last = n; first < 0 {
				first = n
			}
		}
	}
	beat := dsp.Frames(beatMs, t.RateHz)
	late, found := t.passing(gain, change, 1-1/math.E, from, middle, to)
	if first < 0 || !found || int(at)-last >= beat {
		return at, 0, true
	}
	// While it rings, the gain has moved by no more than the largest value within a beat.
	earliest := float64(first)
	for n := first; n < int(at); n += max(1, beat/8) {
		most := share
		for k := n; k < min(n+beat, int(at)); k++ {
			most = max(most, math.Abs(part(k)))
		}
		earliest = max(earliest, float64(n)-slowestStart*most*(late-at))
	}
	off = max(0, at-earliest)/2 + float64(beat)/4
	return (earliest + at) / 2, off, true
}

const (
	// beatMs is one beat between the step's tone and a filter's ringing 1 kHz beside it.
	// Ringing has ended if it is quiet for so long. (own choice)
	beatMs = 1
	// slowestStart is how many times slower than an exponential of the same time constant a
	// gain begins to move: two poles in series take 4 times as long from 0.1 % to 1 %.
	slowestStart = 5
)

// clearTimes are the times of a change whose gain has no significant noise.
func (c *gainChange) clearTimes() (all stepTimes) {
	t, change, step := c.trace, c.last-c.first, float64(c.step)
	reason := ""
	middle, found := t.middle(c.first, change, c.from, c.to)
	if !found {
		reason = neverArrives
	}
	at := func(share float64) stepTime {
		frames, found := t.passing(c.first, change, share, c.from, middle, c.to)
		if !found {
			reason = neverArrives
		}
		return stepTime{passing: passing{frames: frames - step}, reason: reason}
	}
	begins, rings, found := t.begins(c.first, change, beginsShare, c.from, middle, c.to)
	if !found {
		reason = neverArrives
	}
	all.begins = stepTime{passing: passing{frames: begins - step, off: rings}, reason: reason}
	// The remaining noise moves the time of a flat beginning by more than that of a steep one.
	if later, _, found := t.begins(c.first, change, beginsShare+3*c.sigma+2*c.plateau, c.from, middle, c.to); found {
		all.begins.off += max(0, later-begins)
	}
	all.constant = at(1 - 1/math.E).less(all.begins)
	all.tenNinety = at(0.9).less(at(0.1))
	if math.Abs(change) > 2 {
		all.within2 = at(1 - 2/math.Abs(change))
	}
	return all
}

// Table is the gain over time in ms from the step up: every frame within 10 ms of the steps,
// every millisecond elsewhere.
func (t GainTrace) Table() measure.Table {
	table := measure.Table{Columns: []string{"time_ms", "gain_db"}}
	near, coarse := dsp.Frames(10, t.RateHz), max(1, dsp.Frames(1, t.RateHz))
	for n, g := range t.GainDB {
		if n%coarse == 0 || abs(n-t.Up) <= near || abs(n-t.Down) <= near {
			table.Rows = append(table.Rows, []float64{float64(n-t.Up) * 1000 / float64(t.RateHz), g})
		}
	}
	return table
}

func abs(n int) int { return max(n, -n) }
