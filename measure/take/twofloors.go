package take

import (
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
)

// The noise of a take may come and go, as that of a fan, a heating or a road. The take then has
// two noise floors.
//
// They are found from the quietest moments: the 200 ms of each half second with the least
// power. Sound adds to the noise, so a moment is at the floor if nobody speaks in it, and above
// the floor otherwise; it is hardly ever below. Each floor lasts for seconds, so neighbouring
// moments mostly have the same floor. This is a hidden Markov model of two states (Rabiner, "A
// tutorial on hidden Markov models", Proc. IEEE 77(2) 1989, 257). The likelihood of its best
// path is compared with that of the best single floor. A moment whose level changes, such as
// the start of a breath, counts as evidence for neither floor. A passing car is not a second
// floor, since its level changes all the time.
//
// (own choice of the constants. In none of 108 takes with one floor, which include breaths in
// all pauses, cars, echo and drifts by 4 dB, are two floors found. Of 60 takes whose noise
// rises by 4 to 20 dB for a part of the time, 38 are found. Among the 15 in which pauses of at
// least 3 s in all have the higher noise, 14 are found; among the 39 with at least 1 s, 28.)
const (
	momentFrames  = 4                  // of 50 ms each, without overlap
	momentLength  = 2*momentFrames - 1 // frames of 50 ms, 25 ms apart
	momentHops    = 500 / hopMs        // length of the part of the take in which one moment is the quietest
	levelDB       = 5                  // largest difference of the levels within a steady moment
	slopeDB       = 1.5                // largest difference between the first 100 ms and the last: an echo of 4 s decays by that
	momentDB      = 0.9                // standard deviation of a moment's level around its floor
	restShare     = 0.5                // share of moments that are at the floor
	neverUnder    = 1e-6               // density of moments below a floor, per dB
	switchCost    = 4                  // log of the ratio of the probabilities that a floor stays, and changes, from one moment to the next
	leastGain     = 8                  // by how much the log likelihood of two floors must exceed that of one
	leastHigherMs = 5000               // least time of the higher floor in all; the loudest part of a passing car lasts 3 s
	floorsApart   = 3.5                // dB, least distance of the floors, by the quietest moments
	mostApart     = 26                 // dB, largest distance of the floors
	secondFloorDB = 3                  // dB, least distance by the levels of the pauses
	floorStep     = 0.5                // dB
	soundDB       = 3                  // dB, standard deviation of the kernel for the density of all moments
	soundShare    = 0.8                // share of that density; the rest is spread evenly
	soundSpanDB   = 60                 // dB, range over which the rest is spread
)

// moment is the quietest moment of half a second.
type moment struct {
	db    float64
	at    int  // index of its first frame of 50 ms
	level bool // its levels are close together
	sound float64
}

// quietMoments returns the quietest moments of a channel, where its recording is not digital
// silence.
func (l *frameLevels) quietMoments(channel int) (all []moment) {
	track := &l.pause[channel]
	powers, levels := make([]float64, momentHops+momentLength-1), make([]float64, momentHops+momentLength-1)
	for from := 0; from+len(powers) <= track.n; from += momentHops {
		for i := range powers {
			levels[i], powers[i] = track.db(from+i), math.Inf(1)
			if l.live(channel, from+i) {
				powers[i] = dsp.DBToPower(levels[i])
			}
		}
		least, at := math.Inf(1), 0
		for i := range momentHops {
			sum := 0.0
			for k := 0; k < momentLength; k += 2 {
				sum += powers[i+k]
			}
			if sum < least {
				least, at = sum, i
			}
		}
		if math.IsInf(least, 1) {
			continue
		}
		all = append(all, moment{db: dsp.PowerToDB(least / momentFrames), at: from + at, level: isLevel(levels[at : at+momentLength])})
	}
	return all
}

// isLevel reports whether levels in dB are close together and neither rise nor fall.
func isLevel(levels []float64) bool {
	part := len(levels) / 2
	slope := 0.0
	for i := range part {
		slope += (levels[len(levels)-1-i] - levels[i]) / float64(part)
	}
	return slices.Max(levels)-slices.Min(levels) < levelDB && math.Abs(slope) < slopeDB
}

// sounds sets the sound field of each moment: the density, per dB, of moments at about the same
// level. It stands for the density of moments in which somebody speaks.
func sounds(all []moment) {
	counts := map[int]float64{}
	for _, m := range all {
		counts[int(math.Round(m.db/floorStep))]++
	}
	known := map[int]float64{}
	for k := range all {
		bin := int(math.Round(all[k].db / floorStep))
		density, ok := known[bin]
		if !ok {
			for other, n := range counts {
				d := float64(other-bin) * floorStep / soundDB
				density += n * math.Exp(-d*d/2)
			}
			density = soundShare*density/float64(len(all))/soundDB/math.Sqrt(2*math.Pi) + (1-soundShare)/soundSpanDB
			known[bin] = density
		}
		all[k].sound = density
	}
}

// likelihood returns the log of a moment's probability density for a floor.
func (m moment) likelihood(floorDB float64) float64 {
	z := (m.db - floorDB) / momentDB
	bell := math.Exp(-z * z / 2)
	density := (1 - restShare) * m.sound
	if z < 0 {
		density *= bell
	}
	if m.level {
		density += restShare * bell / momentDB / math.Sqrt(2*math.Pi)
	}
	return math.Log(density + neverUnder)
}

// higherFloor describes when a channel has the higher of two floors.
type higherFloor struct {
	times  []stretch // when the higher floor is present
	pauses []stretch // when it is measured: from the first to the last certain moment of each time
	share  float64   // share of the time
}

// stretch is a range of frames of 50 ms; to is exclusive.
type stretch struct{ from, to int }

// findHigher finds when a channel has a higher floor than that of its pauses.
func (l *frameLevels) findHigher(p *pauses) (found higherFloor, ok bool) {
	all := l.quietMoments(p.channel)
	if len(all) < 2 {
		return found, false
	}
	sounds(all)
	least, most := math.Inf(1), math.Inf(-1)
	for _, m := range all {
		least, most = min(least, m.db), max(most, m.db)
	}
	likelihoods := func(floorDB float64) (each []float64, sum float64) {
		each = make([]float64, len(all))
		for k, m := range all {
			each[k] = m.likelihood(floorDB)
			sum += each[k]
		}
		return each, sum
	}
	var low []float64
	lowDB, lowest, one := 0.0, math.Inf(-1), math.Inf(-1)
	for db := p.levelDB - 1; db <= p.levelDB+1; db += floorStep {
		if each, sum := likelihoods(db); sum > lowest {
			low, lowDB, lowest = each, db, sum
		}
	}
	for db := math.Floor(least); db < most; db += floorStep {
		_, sum := likelihoods(db)
		one = max(one, sum)
	}
	var high []float64
	highDB, best := 0.0, math.Inf(-1)
	for db := lowDB + floorsApart; db < min(most, lowDB+mostApart); db += floorStep {
		each, _ := likelihoods(db)
		if gain := bestPath(low, each, nil); gain > best {
			high, highDB, best = each, db, gain
		}
	}
	if best < max(one, lowest)+leastGain {
		return found, false
	}
	isHigh := make([]bool, len(all))
	bestPath(low, high, isHigh)
	// Only steady moments at their floor are certain. Between two certain moments of different
	// floors the noise is assumed to change half way.
	n := l.pause[p.channel].n
	last := moment{}
	was, any := false, false
	for k, m := range all {
		db := lowDB
		if isHigh[k] {
			db = highDB
		}
		if !m.level || math.Abs(m.db-db) > 2*momentDB {
			continue // somebody speaks
		}
		change := 0
		if any {
			change = (last.at + momentLength + m.at) / 2
		}
		switch {
		case isHigh[k] && !was:
			found.times = append(found.times, stretch{change, n})
			found.pauses = append(found.pauses, stretch{from: m.at})
		case was && !isHigh[k]:
			found.times[len(found.times)-1].to = change
		}
		if isHigh[k] {
			found.pauses[len(found.pauses)-1].to = m.at + momentLength
		}
		last, was, any = m, isHigh[k], true
	}
	frames := 0
	for _, s := range found.times {
		frames += s.to - s.from
	}
	found.share = float64(frames) / float64(n)
	return found, frames*hopMs >= leastHigherMs
}

// bestPath returns the log likelihood of the best sequence of two floors, from the log
// likelihoods of each moment. If isHigh is not nil, it stores the moments of the second floor
// there (Viterbi).
func bestPath(low, high []float64, isHigh []bool) float64 {
	a, b := low[0], high[0]
	var fromHigh [2][]bool // whether the best path to each state came from the second
	if isHigh != nil {
		fromHigh = [2][]bool{make([]bool, len(low)), make([]bool, len(low))}
	}
	for k := 1; k < len(low); k++ {
		toLow, toHigh := b-switchCost > a, b > a-switchCost
		if isHigh != nil {
			fromHigh[0][k], fromHigh[1][k] = toLow, toHigh
		}
		a, b = max(a, b-switchCost)+low[k], max(b, a-switchCost)+high[k]
	}
	if isHigh != nil {
		state := b > a
		for k := len(low) - 1; k >= 0; k-- {
			isHigh[k] = state
			if state {
				state = fromHigh[1][k]
			} else {
				state = fromHigh[0][k]
			}
		}
	}
	return max(a, b)
}

// secondFloor finds the pauses with a second, higher floor of a channel.
func (l *frameLevels) secondFloor(p *pauses, counts *levelCounts) (*pauses, higherFloor, bool) {
	found, ok := l.findHigher(p)
	if !ok {
		return nil, found, false
	}
	part := make(bitRow, (l.pause[p.channel].n+63)/64)
	for _, s := range found.pauses {
		for i := s.from; i < s.to; i++ {
			part.set(i)
		}
	}
	q, ok := l.findPauses(p.channel, part, counts)
	return q, found, ok && q.levelDB > p.levelDB+secondFloorDB
}
