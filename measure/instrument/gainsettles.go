package instrument

import (
	"fmt"
	"math"
)

// A gain that still moves where it is taken as steady gives times that are too short: an
// exponential that is cut off after one time constant gives half of it. So each steady stretch
// has two halves, whose means must agree.

const (
	// mostDriftShare is the share of its change by which a gain may move between the halves of
	// a steady stretch. An exponential moves by less if the step lasts 5.4 time constants or
	// more; its time constant is then read at most 1.5 % short.
	mostDriftShare = 0.004
	// leastDriftDB is the movement that rounding to 16 bits causes in a quiet tone. (tests)
	leastDriftDB = 0.001
)

// drift is by how many dB the gain moves from the first half of a stretch to the second, and by
// how many noise may have moved it.
func (t *GainTrace) drift(stretch [2]int) (moved, noise float64) {
	from, to := stretch[0], stretch[1]
	middle := (from + to) / 2
	width := max(1, t.period())
	_, first := t.scatter(from, middle, width)
	_, second := t.scatter(middle, to, width)
	return math.Abs(t.mean(middle, to) - t.mean(from, middle)), clearOfNoise * math.Hypot(first, second)
}

// unsettled reports whether the gain still moves over a stretch that is taken as steady,
// compared with the change in dB that is measured.
func (t *GainTrace) unsettled(stretch [2]int, change float64) bool {
	moved, noise := t.drift(stretch)
	return moved > max(mostDriftShare*math.Abs(change), leastDriftDB, noise)
}

// settledAfter is the length of a part, in seconds, at whose end an exponential gain would be
// settled. It is extrapolated from a stretch from 80 to 95 % of the part. The result is limited
// to two to ten times the part; a gain that is no exponential gets four times.
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

// settledConstants is the number of time constants after which less than 0.1 % of the change is
// left.
const settledConstants = 7

// stillMoves is the reason why a gain that still moves has no readings, with the remedy.
func (t *GainTrace) stillMoves(when string, stretch [2]int, part int, setting string) string {
	moved, _ := t.drift(stretch)
	flag := map[string]string{"before_seconds": "--before-seconds", "during_seconds": "--during-seconds", "after_seconds": "--after-seconds"}[setting]
	seconds := t.settledAfter(stretch, part)
	return fmt.Sprintf("undecided: the gain still changes %s, by %.2g dB in %.2g s; give it longer to settle: %s %g, in a claims file or a plan's stimulus %s=%g",
		when, moved, float64(stretch[1]-stretch[0])/2/float64(t.RateHz), flag, seconds, setting, seconds)
}

// unsettledReasons are the reasons why attack and release have no readings, "" where they have:
// the gain moves before the step up, at the end of the high level, or at the end of the low
// level after it.
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

// driftThirds is how much a gain moves from each third of a stretch to the next, and how much
// noise may have moved it.
func (t *GainTrace) driftThirds(stretch [2]int) (earlier, later, noise float64) {
	third := (stretch[1] - stretch[0]) / 3
	var means [3]float64
	width := max(1, t.period())
	for i := range means {
		from := stretch[0] + i*third
		means[i] = t.mean(from, from+third)
		_, each := t.scatter(from, from+third, width)
		noise = max(noise, 2*math.Sqrt2*each)
	}
	return means[1] - means[0], means[2] - means[1], noise
}

// restAfter is by how much a gain may still move beyond its mean over the stretch from 80 to 95
// % of a part, in dB, with the sign of the change. It assumes one exponential, or two in
// series, that moves from third to third as the gain does.
func (t *GainTrace) restAfter(stretch [2]int, part int, change float64) (dB float64) {
	earlier, later, noise := t.driftThirds(stretch)
	toward := math.Copysign(1, change)
	earlier, later = toward*earlier, toward*later
	// An exponential has n time constants in the part. The thirds of the stretch from 80 to 95
	// % are n/20 time constants apart, and how much it moves between them gives n.
	moved := max(0, earlier+later) + noise
	if moved <= 0 {
		return 0
	}
	share := moved / math.Abs(change)
	least, most := 1.0, 60.0
	mean := func(n, from, to float64) float64 { return (math.Exp(-n*from) - math.Exp(-n*to)) / (n * (to - from)) }
	for range 50 {
		n := (least + most) / 2
		if mean(n, 0.8, 0.85)-mean(n, 0.9, 0.95) > share {
			least = n
		} else {
			most = n
		}
	}
	dB = mean(least, 0.8, 0.95) * math.Abs(change)
	// A slow tail moves by less and has further to go: the ratio of its movements gives how
	// far.
	if earlier > 2*noise && later > 2*noise && later < earlier {
		if q := (later + noise/2) / earlier; q < 0.98 {
			dB = max(dB, later*q/(1-q)+(2*later+earlier)/3)
		}
	}
	return toward * dB
}

// leadBefore is by how much a gain moves from its mean over a stretch until a later step, in
// dB.
func (t *GainTrace) leadBefore(stretch [2]int, step int) float64 {
	earlier, later, noise := t.driftThirds(stretch)
	if math.Abs(earlier+later) <= noise {
		return 0 // the scatter accounts for it
	}
	// From the middle of the last third to the step, the movement decreases as it did between
	// the thirds, or else continues unchanged.
	third := float64(stretch[1]-stretch[0]) / 3
	far := float64(step-stretch[1])/third + 0.5
	if q := later / earlier; q > 0 && q < 1 && math.Abs(later) > noise {
		far = q * (1 - math.Pow(q, far)) / (1 - q)
	}
	return (2*later+earlier)/3 + later*far
}

// withSettling reads the times of a change. Then it reads them again with the gain that the
// step began from, and with the gain that it would finally reach. The differences are the
// uncertainty from a gain that has not settled.
func (c *gainChange) withSettling(read func(*gainChange) stepTimes) stepTimes {
	change := c.last - c.first
	all := read(c)
	rest, lead := c.trace.restAfter(c.past, c.to-c.step, change), c.trace.leadBefore(c.before, c.step)
	for _, moved := range [][2]float64{{0, rest}, {lead, 0}, {lead / 2, 0}} {
		if math.Abs(moved[0])+math.Abs(moved[1]) < leastSettling*math.Abs(change) {
			continue
		}
		other := *c
		other.first, other.last = c.first+moved[0], c.last+moved[1]
		again := read(&other)
		if again.begins.reason != "" {
			continue // the gain has not moved so far: try half
		}
		for _, x := range [][2]*stepTime{{&all.begins, &again.begins}, {&all.constant, &again.constant}, {&all.tenNinety, &again.tenNinety}, {&all.within2, &again.within2}} {
			if x[0].reason == "" && x[1].reason == "" { // the errors have one direction
				x[0].unsettled += math.Abs(x[1].frames - x[0].frames)
			}
		}
		if moved[0] != 0 {
			break
		}
	}
	return all
}

// leastSettling is a share of a change too small to move a time by more than half a period.
const leastSettling = 1e-5
