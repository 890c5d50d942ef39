package compare

import (
	"math"
	"slices"
	"sort"

	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

// leastStep is by how many frames neighbouring windows' delays must differ, drift and
// scatter taken out, for something to have been cut out or put in between them.
const leastStep = 0.5

// leastBesideDrift is the same beside a drift: in noise, what is wrong about that looks like a
// step of a frame.
const leastBesideDrift = 2

// splitTrack parts windows, in the order of time, where the delay steps. A single
// window between two that agree is a stray, and left out.
func splitTrack(read []windowDelay) [][]windowDelay {
	if len(read) < 4 {
		return [][]windowDelay{read}
	}
	slope := func(a, b windowDelay) float64 { return (b.delay - a.delay) / max(1, b.centre-a.centre) }
	var slopes []float64
	for i := 1; i < len(read); i++ {
		slopes = append(slopes, slope(read[i-1], read[i]))
	}
	sort.Float64s(slopes)
	drift := slopes[len(slopes)/2]
	if math.Abs(drift) > mostStretch {
		drift = 0
	}
	step := func(a, b windowDelay) float64 { return math.Abs(b.delay - a.delay - drift*(b.centre-a.centre)) }
	var steps []float64
	for i := 1; i < len(read); i++ {
		steps = append(steps, step(read[i-1], read[i]))
	}
	sort.Float64s(steps)
	most := max(leastStep, 8*steps[len(steps)/2])
	kept := []windowDelay{read[0]}
	for i := 1; i < len(read); i++ {
		if i+1 < len(read) && step(read[i-1], read[i]) > most && step(read[i], read[i+1]) > most && step(read[i-1], read[i+1]) <= most {
			continue
		}
		kept = append(kept, read[i])
	}
	groups := [][]windowDelay{{kept[0]}}
	for i := 1; i < len(kept); i++ {
		if step(kept[i-1], kept[i]) > most {
			groups = append(groups, nil)
		}
		last := len(groups) - 1
		groups[last] = append(groups[last], kept[i])
	}
	return groups
}

// inPieces finds the frames at which the delay steps from one group of windows to the
// next. A step that explains nothing is no step.
func (g aligner) inPieces(p placement, groups [][]windowDelay) (placement, error) {
	lines := lineOf(groups)
	mapOf := func(delay float64) timemap.Map {
		m := timemap.Map{Delay: p.Delay + p.Speed*delay, Speed: p.Speed * lines.speed}
		// A fraction is a filter's phase more often than a delay beside an edit.
		if whole := math.Round(m.Delay); m.Speed == 1 && math.Abs(m.Delay-whole) < 0.25 {
			m.Delay = whole
		}
		return m
	}
	p.pieces = []piece{{0, g.shortP.frames, mapOf(lines.delays[0])}}
	for i := 1; i < len(groups); i++ {
		last := &p.pieces[len(p.pieces)-1]
		next := piece{0, g.shortP.frames, mapOf(lines.delays[i])}
		from, to := between(groups[i-1], groups[i])
		end, begin, explains, err := g.boundary(last.Map, next.Map, p.inverted, from, to)
		if err != nil {
			return p, err
		}
		if !explains && (end < 0 || !certain(groups[i-1]) || !certain(groups[i])) {
			continue
		}
		last.to, next.from = end, begin
		p.pieces = append(p.pieces, next)
	}
	if len(p.pieces) > 1 {
		first := p.Delay + p.Speed*lines.delays[0]
		p.dropped = math.Abs(p.pieces[0].Delay - first)
		p.Map, p.windows, p.spread, p.slope = p.pieces[0].Map, lines.first, lines.spread, lines.slope
	}
	return p, nil
}

// certain reports whether a group of windows shows its delay beyond doubt: where little sounds
// beside a step, clipping or noise may leave more than the step explains.
func certain(group []windowDelay) bool {
	sure := 0
	for _, w := range group {
		if w.correlation >= certainSimilarity {
			sure++
		}
	}
	return sure >= 3 && 2*sure > len(group)
}

// between is from which frame on to which one a step between two groups of windows is looked
// for: from the middle of the last window but one to that of the second one, as the step may
// lie in half of the windows beside it.
func between(before, after []windowDelay) (from, to int64) {
	last, first := len(before)-1, 0
	from, to = int64(before[last].centre), int64(after[first].centre)
	if last > 0 {
		from = max(from-windowFrames, int64(before[last-1].centre))
	}
	if len(after) > 1 {
		to = min(to+windowFrames, int64(after[1].centre))
	}
	return from, to
}

// parallels are lines of one slope through the delays of each of several groups of windows.
type parallels struct {
	speed         float64
	delays        []float64 // of each group, at frame 0
	spread, slope float64   // as those of a placement
	first         int       // windows of the first group
}

// steps reports whether the lines are as far apart as a step is, beside the speed of a placement.
func (l parallels) steps(speed float64) bool {
	most := 0.0
	for i := 1; i < len(l.delays); i++ {
		most = max(most, math.Abs(l.delays[i]-l.delays[i-1]))
	}
	return most >= leastBesideDrift || speed == 1 && l.speed == 1
}

// lineOf is the least-squares fit to the windows near the delay that most of their group
// agree on: in a voice some lie a period of it off.
func lineOf(groups [][]windowDelay) parallels {
	largest := slices.MaxFunc(groups, func(a, b []windowDelay) int { return len(a) - len(b) })
	l := parallels{speed: 1, delays: make([]float64, len(groups)), slope: math.Inf(1)}
	if len(largest) > 3 {
		line, _, _ := fitLine(largest)
		l.speed = line.Speed
	}
	near := make([][]windowDelay, len(groups))
	n, sxx, sxy, span := 0, 0.0, 0.0, 0.0
	for i, group := range groups {
		at := mostCommon(group, l.speed-1)
		var centre, delay float64
		for _, w := range group {
			if math.Abs(w.delay-(l.speed-1)*w.centre-at) <= leastStep {
				near[i] = append(near[i], w)
				centre, delay = centre+w.centre, delay+w.delay
			}
		}
		k := float64(len(near[i]))
		for _, w := range near[i] {
			sxx, sxy = sxx+(w.centre-centre/k)*(w.centre-centre/k), sxy+(w.centre-centre/k)*(w.delay-delay/k)
		}
		n += len(near[i])
		span = max(span, near[i][len(near[i])-1].centre-near[i][0].centre)
	}
	level := func(speed float64) (off []float64) {
		for i, group := range near {
			l.delays[i] = 0
			for _, w := range group {
				l.delays[i] += (w.delay - (speed-1)*w.centre) / float64(len(group))
			}
			for _, w := range group {
				off = append(off, w.delay-(speed-1)*w.centre-l.delays[i])
			}
		}
		return off
	}
	l.first, l.speed = len(near[0]), 1
	freedom := n - len(groups) - 1
	if sxx > 0 && freedom > 0 {
		l.speed = 1 + sxy/sxx
	}
	l.spread = deviationOf(level(l.speed), len(groups)+1)
	if sxx > 0 && freedom > 0 {
		l.slope = max(studentT(freedom)*l.spread, sameDelay) / math.Sqrt(sxx)
	}
	// As of one line, a slope within the scatter is none.
	if l.speed != 1 && math.Abs(l.speed-1)*span < max(sameDelay, 2*l.spread) {
		l.slope += math.Abs(l.speed - 1)
		l.speed = 1
		level(1)
	}
	return l
}

// mostCommon is the delay that most windows agree on within half a frame, at frame 0.
func mostCommon(group []windowDelay, drift float64) float64 {
	at := func(w windowDelay) float64 { return w.delay - drift*w.centre }
	best, most := 0.0, -1.0
	for _, w := range group {
		votes, sum := 0.0, 0.0
		for _, other := range group {
			if math.Abs(at(other)-at(w)) <= leastStep {
				votes, sum = votes+other.correlation, sum+other.correlation*at(other)
			}
		}
		if votes > most {
			best, most = sum/votes, votes
		}
	}
	return best
}

// boundary is where the short sound stops to follow one map, and where it begins to
// follow the next: where the differences of both, summed, are least; −1: nowhere. What was put
// into the short sound lies between the two. The step explains something where one map alone
// leaves more.
func (g aligner) boundary(first, second timemap.Map, inverted bool, from, to int64) (end, begin int64, explains bool, err error) {
	if to-from < 64 {
		return -1, -1, false, nil
	}
	n := int(to - from)
	short, err := planes.Gather(g.short, g.channel, []planes.Extent{{From: from, Frames: n}})
	if err != nil {
		return -1, -1, false, err
	}
	errorsBy := func(m timemap.Map, known func(k int) bool) ([]float64, error) {
		at := int64(math.Round(m.At(int(from))))
		long, err := planes.Gather(g.long, g.channel, []planes.Extent{{From: at - timemap.Taps, Frames: spanned(n, m.Speed) + 2*timemap.Taps}})
		if err != nil {
			return nil, err
		}
		y := long[0][timemap.Taps:][:n]
		if first := m.At(int(from)); m.Speed != 1 || first != math.Trunc(first) {
			y = timemap.Map{Delay: first - float64(at-timemap.Taps), Speed: m.Speed}.Resample(long[0], 0, n)
		}
		x, y := g.emphasis.of(short[0]), g.emphasis.of(y)
		x[0], y[0] = 0, 0
		var xy, yy float64
		for k := range x {
			if known(k) {
				xy, yy = xy+x[k]*y[k], yy+y[k]*y[k]
			}
		}
		gain := 1.0
		if inverted {
			gain = -1
		}
		if yy > 0 && xy != 0 {
			gain = xy / yy
		}
		sums := make([]float64, n+1) // of the squares before a frame
		for k := range x {
			d := x[k] - gain*y[k]
			sums[k+1] = sums[k] + d*d
		}
		return sums, nil
	}
	// Half a window at either end is known to follow its own map.
	edge := min(n/4, 2048)
	one, err := errorsBy(first, func(k int) bool { return k < edge })
	if err != nil {
		return -1, -1, false, err
	}
	two, err := errorsBy(second, func(k int) bool { return k >= n-edge })
	if err != nil {
		return -1, -1, false, err
	}
	gap := max(0, int(math.Round(first.At(int(from))-second.At(int(from)))))
	if gap > n {
		return -1, -1, false, nil
	}
	best, least := 0, math.Inf(1)
	for k := 0; k+gap <= n; k++ {
		if sum := one[k] + two[n] - two[k+gap]; sum < least {
			best, least = k, sum
		}
	}
	return from + int64(best), from + int64(best+gap), least < 0.75*min(one[n], two[n]), nil
}
