package instrument

import (
	"fmt"
	"math"
)

// A gain that still moves where it is taken as steady gives times that are too short: of an
// exponential that is cut off after one time constant, half of it. So each steady stretch
// has two halves, whose means must agree.

const (
	// mostDriftShare is by how much of its change a gain may move from the first half of a
	// steady stretch to the second. An exponential whose rest makes its time constant read
	// recordedShare short, at 5.4 time constants in the step, moves by 0.37 %.
	mostDriftShare = 0.004
	// leastDriftDB is a movement that rounding to 16 bits leaves in a quiet tone. (tests)
	leastDriftDB = 0.001
)

// drift is by how many dB the gain moves from the first half of a stretch to the second, and
// the part of that which noise may have made.
func (t *GainTrace) drift(stretch [2]int) (moved, noise float64) {
	from, to := stretch[0], stretch[1]
	middle := (from + to) / 2
	width := max(1, t.period())
	_, first := t.scatter(from, middle, width)
	_, second := t.scatter(middle, to, width)
	return math.Abs(t.mean(middle, to) - t.mean(from, middle)), clearOfNoise * math.Hypot(first, second)
}

// unsettled reports whether the gain still moves over a stretch that is taken as steady, by
// more than a share of the change in dB that is measured there.
func (t *GainTrace) unsettled(stretch [2]int, change float64) bool {
	moved, noise := t.drift(stretch)
	return moved > max(mostDriftShare*math.Abs(change), leastDriftDB, noise)
}

// settledAfter is the length of a part, in seconds, at whose end the gain would be settled,
// of a gain that moves as an exponential over a stretch from 80 to 95 % of that part; twice to
// ten times the part where it is none.
func (t *GainTrace) settledAfter(stretch [2]int, part int) float64 {
	third := (stretch[1] - stretch[0]) / 3
	a, b, c := t.mean(stretch[0], stretch[0]+third), t.mean(stretch[0]+third, stretch[0]+2*third), t.mean(stretch[0]+2*third, stretch[0]+3*third)
	wanted := 4 * float64(part)
	if q := (c - b) / (b - a); q > 0 && q < 1 {
		wanted = settledConstants * float64(third) / -math.Log(q)
	}
	wanted = min(max(wanted, 2*float64(part)), 10*float64(part)) / float64(t.RateHz)
	if wanted < 1 {
		return math.Ceil(wanted*10) / 10
	}
	return math.Ceil(wanted)
}

// settledConstants is how many time constants leave nothing that matters: 0.1 %.
const settledConstants = 7

// stillMoves is why a gain that still moves has no readings, and what to do.
func (t *GainTrace) stillMoves(when string, stretch [2]int, part int, setting string) string {
	moved, _ := t.drift(stretch)
	flag := map[string]string{"before_seconds": "--before-seconds", "during_seconds": "--during-seconds", "after_seconds": "--after-seconds"}[setting]
	seconds := t.settledAfter(stretch, part)
	return fmt.Sprintf("undecided: the gain still moves %s, by %.2g dB in %.2g s; give it longer to settle: %s %g, in a claims file or a plan's stimulus %s=%g",
		when, moved, float64(stretch[1]-stretch[0])/2/float64(t.RateHz), flag, seconds, setting, seconds)
}

// unsettledReasons are why the readings of attack and release have no value, ""
// where they have one: the gain moves before the step up, at the end of the high level, or at
// the end.
func (t *GainTrace) unsettledReasons(low, loud, back [2]int) (attack, release string) {
	before, high, after := t.mean(low[0], low[1]), t.mean(loud[0], loud[1]), t.mean(back[0], back[1])
	if noGain(before+high+after) != "" {
		return "", ""
	}
	if t.unsettled(loud, min(math.Abs(high-before), math.Abs(high-after))) {
		reason := t.stillMoves("at the end of the high level", loud, t.Down-t.Up, "during_seconds")
		return reason, reason
	}
	if t.unsettled(low, high-before) {
		attack = t.stillMoves("before the step up", low, t.Up, "before_seconds")
	}
	if t.unsettled(back, after-high) {
		release = t.stillMoves("at the end of the low level", back, len(t.GainDB)-t.Down, "after_seconds")
	}
	return attack, release
}
