package tune

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// activity is the active sound of a take: the milliseconds whose level exceeds a limit 15.9 dB
// below their own mean power (Rec. ITU-T P.56, method B). Silence and soft noise are below that
// limit, so readings of active sound do not depend on the length of the pauses.
type activity struct {
	over    int16   // the limit, in hundredths of a dB
	db      float64 // mean power of the milliseconds over the limit in dB; −Inf where there are none
	seconds float64 // of active sound, with gaps of up to 0.2 s
}

const (
	activeMarginDB = 15.9
	activeGapMs    = 200 // the hangover of P.56
)

// activityOf finds the active sound of a track. Least is the lowest limit.
func activityOf(level []int16, least int16) activity {
	counts := make([]int32, 10000-quietest+1)
	for _, v := range level {
		counts[int(v)-quietest]++
	}
	a := activity{over: least, db: math.Inf(-1)}
	power, count := 0.0, 0.0
	for k := len(counts) - 1; k > int(least)-quietest; k-- {
		if n := float64(counts[k]); n > 0 {
			power, count = power+n*powerOf(int16(k+quietest)), count+n
		}
		if count > 0 {
			if a.db = dsp.PowerToDB(power / count); a.db-float64(k+quietest)/100 >= activeMarginDB {
				a.over = int16(k + quietest - 1)
				break
			}
		}
	}
	a.seconds = a.secondsOf(level)
	return a
}

// secondsOf returns the seconds of a level track that are active, with gaps of up to 0.2 s.
func (a activity) secondsOf(level []int16) float64 {
	last := -1
	ms := 0
	for k, v := range level {
		if v <= a.over {
			continue
		}
		if last >= 0 && k-last <= activeGapMs {
			ms += k - last
		} else {
			ms++
		}
		last = k
	}
	return float64(ms) / 1000
}

// shareOf returns the share of the active milliseconds of a level track that count.
func (a activity) shareOf(level []int16, counts func(ms int) bool) float64 {
	n, active := 0, 0
	for ms, v := range level {
		if v > a.over {
			if active++; counts(ms) {
				n++
			}
		}
	}
	return float64(n) / float64(max(1, active))
}

// at reports for each millisecond of a level track whether it is active.
func (a activity) at(level []int16) []bool {
	active := make([]bool, len(level))
	for k, v := range level {
		active[k] = v > a.over
	}
	return active
}

// of returns the values of a track in the active milliseconds; level is the level of each.
func (a activity) of(track, level []int16) (active []int16) {
	for k, v := range track[:min(len(track), len(level))] {
		if level[k] > a.over {
			active = append(active, v)
		}
	}
	return active
}
