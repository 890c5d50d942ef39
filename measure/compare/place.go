package compare

import (
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

// placement is where frames of A lie in B, and with which sign: by one map, or in
// pieces between which something was cut out or put in.
type placement struct {
	timemap.Map // of the first piece
	inverted    bool
	spread      float64   // frames: how far the windows' delays lie from the map
	windows     int       // how many it was made from
	slope       float64   // by how much the speed may be off; +Inf: not known
	dropped     float64   // frames: by how much whole frames differ from what the windows showed
	pieces      []piece   // in order; all of the overlap, once settled
	lags        []float64 // frames by which each channel of B is later than the map; nil: none is
	places      int       // how many places fit as well, 0 where one is best
	period      float64   // frames from one of them to the next, 0 where they are uneven
}

// piece maps the frames from one on to another, which is not in it.
type piece struct {
	from, to int64
	timemap.Map
}

// exact reports whether frames fall on frames.
func (p piece) exact() bool { return p.Speed == 1 && p.Delay == math.Trunc(p.Delay) }

// within is by how many frames the delay may be off, in 95 % of cases, or the fraction that
// was taken for the phase of a filter.
func (p placement) within() float64 {
	n, fitted := max(1, p.windows), 2 // a delay and a slope
	if n < 3 {
		fitted = 1
	}
	return max(0.001, studentT(max(1, n-fitted))*p.spread/math.Sqrt(float64(n))) + p.dropped
}

// exact reports whether frames of A fall on frames of B.
func (p placement) exact() bool {
	for _, lag := range p.lags {
		if lag != math.Trunc(lag) {
			return false
		}
	}
	for _, part := range p.pieces {
		if !part.exact() {
			return false
		}
	}
	return piece{Map: p.Map}.exact()
}

// overlap are the frames of A that B covers by the map, from one to another.
func (p placement) overlap(framesA, framesB int64) (from, to int64) {
	from = max(0, int64(math.Ceil(-p.Delay/p.Speed)))
	last := (float64(framesB-1) - p.Delay) / p.Speed
	return from, max(from, min(framesA, int64(math.Floor(last))+1))
}

// settlePieces cuts the pieces to what every channel of both sounds has, or makes one
// of the overlap.
func (p *placement) settlePieces(framesA, framesB int64) {
	if len(p.pieces) == 0 {
		p.pieces = []piece{{0, framesA, p.Map}}
	}
	least, most := 0.0, 0.0
	for _, lag := range p.lags {
		least, most = min(least, lag), max(most, lag)
	}
	var kept []piece
	for _, q := range p.pieces {
		q.from = max(0, q.from, int64(math.Ceil((-q.Delay-least)/q.Speed)))
		q.to = min(q.to, framesA, int64(math.Floor((float64(framesB-1)-q.Delay-most)/q.Speed))+1)
		if q.from < q.to {
			kept = append(kept, q)
		}
	}
	if p.pieces = kept; len(kept) == 0 {
		p.pieces = []piece{{0, 0, p.Map}}
	}
	p.Map = p.pieces[0].Map
}

// inA is the frame of A at which a frame of B lies, or the nearest one.
func (p placement) inA(frame int64) int64 {
	at := int64(0)
	for _, q := range p.pieces {
		at = max(q.from, min(q.to-1, int64(math.Round((float64(frame)-q.Delay)/q.Speed))))
		if at < q.to-1 {
			break
		}
	}
	return at
}

// frames is how many frames the pieces have together.
func (p placement) frames() (sum int64) {
	for _, q := range p.pieces {
		sum += q.to - q.from
	}
	return sum
}

// turned maps the other way.
func (p placement) turned() placement {
	back := func(m timemap.Map) timemap.Map { return timemap.Map{Delay: -m.Delay / m.Speed, Speed: 1 / m.Speed} }
	pieces := p.pieces
	p.pieces = nil
	for _, q := range pieces {
		p.pieces = append(p.pieces, piece{int64(math.Ceil(q.At(int(q.from)))), int64(math.Ceil(q.At(int(q.to)))), back(q.Map)})
	}
	p.Map = back(p.Map)
	return p
}

const (
	probeFrames       = 1 << 18 // 5.5 s at 48 kHz: what is looked for first
	nearFrames        = 1 << 21 // 44 s: how far away it is looked for first; then everywhere
	leastWindow       = 0.4     // of a window whose place is known
	leastHeld         = 0.15    // of a window that shows a place of its own: noise and strong equalising leave no more
	heldReach         = 32      // frames within which it is looked for
	leastTurned       = 0.7     // of windows that are inverted where the passage is not: more than a wrong delay leaves
	certainSimilarity = 0.9     // no other place can be better by much
	windowFrames      = 1 << 15 // 0.7 s: what the delay is read from, here and there
	mostWindows       = 36
	leastScattered    = 4 // windows that show how far they scatter
	// sameDelay is by how many frames delays may differ and be one.
	sameDelay = 0.005
)

// leastFrames is how many frames two sounds must have in common to be compared.
const leastFrames = 32

// leastSimilarity is the correlation from which on two sounds are taken for one in
// two versions, by the length of the passage that is looked for. Differences from
// frame to frame of unrelated speech were found to correlate, at the best of all
// places, by up to 0.85 over 10 to 200 ms, 0.47 over 1 s, 0.64 over up to 3 s and
// 0.34 over 5 s, generated and recorded (see the tests); equalising and compressing
// a voice leaves more than 0.7. What is shorter than 10 ms is like anything that is
// as smooth, unless it is a copy, and a few frames prove nothing.
func leastSimilarity(frames int64, rate int) float64 {
	switch seconds := float64(frames) / float64(rate); {
	case frames < leastFrames:
		return math.Inf(1)
	case seconds < 0.01:
		return 0.999
	case seconds < 0.3:
		return 0.95
	case seconds < 4:
		return 0.75
	}
	return 0.5
}

// align finds where A lies in B, and whether it does: from the shorter of the two,
// whose loudest passage the other one should hold.
func (c *Comparison) align(a, b func() (wave.Source, error), pa, pb *profile, s Settings) error {
	c.place.Speed = 1
	if c.silent = [2]bool{pa.silent(), pb.silent()}; c.silent[0] || c.silent[1] {
		c.Same = c.silent[0] && c.silent[1] // silence is like silence only
		return nil
	}
	channel := loudestInBoth(pa, pb)
	if pa.digest == pb.digest && pa.frames == pb.frames { // one and the same, which a tone would leave open
		c.Similarity, c.Same = 1, true
		return nil
	}
	search := aligner{short: a, long: b, shortP: pa, longP: pb, channel: channel, rate: c.Rate}
	turned := pb.frames < pa.frames
	if turned {
		search = aligner{short: b, long: a, shortP: pb, longP: pa, channel: channel, rate: c.Rate}
	}
	place, found, err := search.find()
	if err != nil {
		return err
	}
	if turned {
		place = place.turned()
	}
	from, to := place.overlap(c.FramesA, c.FramesB)
	if search.emphasis.taps == nil {
		found.needed = max(found.needed, leastSimilarity(to-from, c.Rate))
	}
	c.Similarity, c.needed, c.Same, c.scattered = found.correlation, found.needed, found.enough(), found.scattered
	if !c.Same {
		return c.findOrder(a, b, pa, pb)
	}
	if c.Channels > 1 && place.places == 0 {
		agree, err := c.findLags(&place, a, b, pa, pb, channel, search.emphasis)
		if err == nil && !agree {
			err = c.orderAt(place.longest(c.FramesA, c.FramesB), a, b, pa)
		}
		if err == nil && !agree && c.Same && place.lags == nil {
			err = c.findOrder(a, b, pa, pb)
		}
		if err != nil || !c.Same {
			return err
		}
	}
	if s.Unaligned {
		aligned := place
		c.unaligned = &aligned
		place = placement{Map: timemap.Map{Speed: 1}, inverted: place.inverted, spread: place.spread, slope: place.slope, windows: place.windows}
	}
	c.place = place
	return nil
}

// aligner looks for the sound short in the sound long.
type aligner struct {
	short, long   func() (wave.Source, error)
	shortP, longP *profile
	channel       int
	rate          int
	emphasis      emphasis
}

// find tries the loudest passage, and then, if that is not there, the loudest of
// each third; then what another clock has stretched, and at last what noise may hide. What
// it finds must hold all over the sound.
func (g *aligner) find() (placement, candidate, error) {
	best := candidate{speed: 1, needed: 1}
	if g.shortP.frames < leastFrames {
		best.needed = math.Inf(1)
		return placement{Map: timemap.Map{Speed: 1}}, best, nil
	}
	if err := g.findPassage(&best); err != nil {
		return placement{}, best, err
	}
	refused := best // the best that correlates, but not all over
	p, held, err := g.checked(&best)
	if err != nil || held && len(p.pieces) < 2 {
		return p, best, err
	}
	for _, speed := range speeds {
		if held && speed != 1 { // edits, unless a clock explains them
			break
		}
		found, err := g.findStretched(speed)
		if err != nil {
			return placement{}, best, err
		}
		if held && math.Abs(found.speed-p.Speed)*float64(g.shortP.frames) < leastStep {
			continue
		}
		if q, ok, err := g.checked(&found); err != nil || ok && (!held || len(q.pieces) < len(p.pieces)) {
			return q, found, err
		}
	}
	if held {
		return p, best, nil
	}
	noisy, ok, err := g.findInNoise()
	if err != nil {
		return placement{}, best, err
	}
	if ok {
		p, held, err := g.checked(&noisy)
		if err != nil || held {
			return p, noisy, err
		}
		g.emphasis = emphasis{}
		if !refused.enough() {
			refused = noisy
		}
	}
	refused.scattered = refused.enough()
	return refused.placement(), refused, nil
}

// findPassage looks for the loudest passage, and those of the thirds, as they are.
func (g *aligner) findPassage(best *candidate) error {
	third := g.shortP.frames / 3
	for _, r := range [][2]int64{{0, g.shortP.frames}, {0, third}, {third, 2 * third}, {2 * third, g.shortP.frames}} {
		frames := min(probeFrames, r[1]-r[0])
		if frames < leastFrames {
			break
		}
		at, _ := g.shortP.loudestStretch(g.channel, frames, r[0], r[1])
		at = max(r[0], min(at, r[1]-frames))
		found, err := g.place(at, int(frames))
		if err != nil {
			return err
		}
		if math.Abs(found.correlation)/found.needed > math.Abs(best.correlation)/best.needed {
			*best = found
		}
		if best.enough() {
			break
		}
	}
	return nil
}

// checked is the refined placement of a candidate that correlates enough, if that holds all
// over the sound.
func (g *aligner) checked(found *candidate) (p placement, held bool, err error) {
	if !found.enough() {
		return placement{}, false, nil
	}
	if len(found.others) > 1 {
		if err := g.byTheEdges(found); err != nil {
			return placement{}, false, err
		}
	}
	if p, err = g.refine(found.placement(), found.of+probeFrames/2, len(found.others) <= 1); err != nil {
		return p, false, err
	}
	p.places, p.period = found.places, found.period
	held, err = g.holds(p)
	return p, held, err
}

// holds reports whether a placement holds all over the overlap: the places near it at which its
// loud windows, each by itself, correlate best lie within a frame of their median in half of the
// windows, and in three of five that correlate anywhere. A passage alone may hold, where the
// clocks differ; how much the windows correlate differs more by noise and filters than by that.
// (own choice: of 42 versions with noise, hum, filters, compression and clipping 0.8 and more of
// the windows agree; of the same with a drift of 5 frames and more 0.65 and less, which correlate
// by as much as the others)
func (g aligner) holds(p placement) (bool, error) {
	pieces := p.pieces
	from, to := p.overlap(g.shortP.frames, g.longP.frames)
	if len(pieces) == 0 {
		pieces = []piece{{from, to, p.Map}}
	}
	seen, good, correlate := 0, 0, 0
	for _, q := range pieces {
		begin, end := max(q.from, from), min(q.to, to)
		frames := int(min(windowFrames/4, end-begin))
		if len(pieces) > 1 {
			begin, end = max(0, q.from), min(q.to, g.shortP.frames)
			frames = int(min(windowFrames/4, end-begin))
		}
		if frames < leastFrames {
			continue
		}
		windows := g.loudWindows(begin, end, frames)
		short, err := planes.Gather(g.short, g.channel, windows)
		if err != nil {
			return false, err
		}
		var lags []int
		err = g.eachWindow(q.Map, windows, short, func(x, y []float64) {
			seen++
			if lag, held := heldAt(x, y, p.inverted); held {
				lags = append(lags, lag)
			}
		})
		if err != nil {
			return false, err
		}
		slices.Sort(lags)
		for _, lag := range lags {
			if d := lag - lags[len(lags)/2]; d >= -1 && d <= 1 {
				good++
			}
		}
		correlate += len(lags)
	}
	return 2*good >= seen && 5*good >= 3*correlate, nil
}

// heldAt is the lag at which two windows correlate best, of those as good the nearest, and
// whether they do by leastHeld. A part may be inverted.
func heldAt(x, y []float64, inverted bool) (lag int, held bool) {
	reach := min(heldReach, len(x)/8)
	xx, yy := vector.SumOfSquares(x[reach:len(x)-reach]), vector.SumOfSquares(y[reach:len(y)-reach])
	middle := x[reach : len(x)-reach]
	at := func(k int) []float64 { return y[reach+k:][:len(middle)] }
	best := 0.0
	for first := -reach; first <= reach; first += 4 {
		first = min(first, reach-3)
		for i, sum := range vector.Dots4(middle, at(first), at(first+1), at(first+2), at(first+3)) {
			k, r := first+i, sum/math.Sqrt(xx*yy)
			if inverted {
				r = -r
			}
			if r <= -leastTurned {
				r = -r
			}
			if r -= 1e-3 * math.Abs(float64(k)) * r; r > best {
				best, lag = r, k
			}
		}
	}
	return lag, best >= leastHeld
}

// eachWindow hands windows of the short sound, and what a map finds there in the long one,
// through the emphasis to a function.
func (g aligner) eachWindow(m timemap.Map, windows []planes.Extent, short [][]float64, to func(x, y []float64)) error {
	there := make([]planes.Extent, len(windows))
	for i, w := range windows {
		there[i] = planes.Extent{From: int64(math.Floor(m.At(int(w.From)))) - timemap.Taps, Frames: spanned(w.Frames, m.Speed) + 2*timemap.Taps}
	}
	long, err := planes.Gather(g.long, g.channel, there)
	if err != nil {
		return err
	}
	for i, w := range windows {
		first := m.At(int(w.From)) - float64(there[i].From)
		x, y := g.emphasis.of(short[i]), g.emphasis.of(timemap.Map{Delay: first, Speed: m.Speed}.Resample(long[i], 0, w.Frames))
		edge := min(timemap.Taps, w.Frames/8)
		to(x[edge:w.Frames-edge], y[edge:w.Frames-edge])
	}
	return nil
}

// spanned is how many frames of the long sound a number of the short one's take up at most.
func spanned(frames int, speed float64) int { return int(math.Ceil(float64(frames)*max(1, speed))) + 1 }

// refine reads the delay all over the sound: as a fraction, as the drift of a clock,
// and, if asked, as the steps that cuts and insertions leave.
func (g aligner) refine(p placement, sure int64, steps bool) (placement, error) {
	for drifts := false; ; { // once more, with the drift taken out
		read, err := g.track(p, sure, steps)
		if err != nil {
			return p, err
		}
		if groups := splitTrack(read); steps && len(groups) > 1 && lineOf(groups).steps(p.Speed) {
			if q, err := g.inPieces(p, groups); err != nil || len(q.pieces) > 1 {
				return q, err
			}
		}
		if p = p.settle(read); drifts || p.Speed == 1 {
			break
		}
		// Where whole frames leave no more than the drift, it is none: reading it again makes
		// it no eight times better.
		if whole, better, err := g.wholeIfAsGood(p, 1); err != nil || better {
			return whole, err
		}
		drifts = true
	}
	var err error
	if p.windows < leastScattered {
		if p, err = g.scatter(p); err != nil {
			return p, err
		}
	}
	if !(piece{Map: p.Map}).exact() {
		p, _, err = g.wholeIfAsGood(p, g.unlikeRatio())
	}
	return p, err
}

// wholeIfAsGood takes whole frames and no drift where the fraction and the drift
// do not explain most of what differs: then they are the phase of a filter or
// the scatter of the windows, and neither a delay nor a clock. A ratio is by how many times
// less must be left with them.
func (g aligner) wholeIfAsGood(p placement, ratio float64) (place placement, taken bool, err error) {
	whole := p
	whole.Delay, whole.Speed = math.Round(p.Delay+(p.Speed-1)*float64(g.shortP.frames)/2), 1
	from, to := p.overlap(g.shortP.frames, g.longP.frames)
	windows := g.loudWindows(from, to, int(min(windowFrames/4, to-from)))
	short, err := planes.Gather(g.short, g.channel, windows)
	if err != nil {
		return p, false, err
	}
	with, err := g.unlike(p, windows, short)
	if err != nil {
		return p, false, err
	}
	whole.dropped = max(math.Abs(p.At(int(from))-whole.At(int(from))), math.Abs(p.At(int(to))-whole.At(int(to))))
	if whole.dropped > mostPhase {
		ratio = min(ratio, unlikeInNoise)
	}
	without, err := g.unlike(whole, windows, short)
	if err == nil && without < ratio*with {
		whole.slope += math.Abs(p.Speed - 1)
		return whole, true, nil
	}
	return p, false, err
}

// unlikeRatio is how many times less must be left with a fraction or a drift than
// without: in noise, which is left with both, a little less.
func (g aligner) unlikeRatio() float64 {
	if g.emphasis.taps != nil {
		return unlikeInNoise
	}
	return 8
}

const (
	unlikeInNoise = 1.02
	// mostPhase is by how many frames a filter's phase moves a sound from whole frames, which
	// lie half a frame off at most; what moves by more, between its ends, drifts.
	mostPhase = 1.0
)

// unlike is the share of the energy of the long sound's differences, from frame to
// frame, that does not follow those of the short one's windows at a place.
func (g aligner) unlike(p placement, windows []planes.Extent, short [][]float64) (float64, error) {
	rest, all := 0.0, 0.0
	err := g.eachWindow(p.Map, windows, short, func(x, y []float64) {
		var xx, xy, yy float64
		for k := range x {
			xx, xy, yy = xx+x[k]*x[k], xy+x[k]*y[k], yy+y[k]*y[k]
		}
		if xx > 0 {
			rest, all = rest+yy-xy*xy/xx, all+yy
		}
	})
	return rest / max(all, math.SmallestNonzeroFloat64), err
}

// place looks for a passage: near where it would be without a delay, then farther.
func (g aligner) place(at int64, frames int) (candidate, error) {
	probes, err := planes.Gather(g.short, g.channel, []planes.Extent{{From: at, Frames: frames}})
	if err != nil {
		return candidate{}, err
	}
	best := candidate{of: at, speed: 1, needed: leastSimilarity(int64(frames), g.rate)}
	for _, reach := range []int64{probeFrames / 2, nearFrames, g.shortP.frames + g.longP.frames} {
		from, to := max(at-reach, -int64(frames)+1), min(at+reach, g.longP.frames-1)
		found, err := searchIn(g.long, g.longP.frames, g.channel, probes[0], from, to, at, g.emphasis)
		if err != nil {
			return best, err
		}
		if between, err := g.betweenFrames(found, at, probes); err != nil || math.Abs(between) > math.Abs(best.correlation) {
			best.frame, best.correlation, best.others = found.frame, between, found.others
			if err != nil {
				return best, err
			}
		}
		everywhere := at-reach < -int64(frames) && at+reach >= g.longP.frames
		if everywhere || math.Abs(best.correlation) >= certainSimilarity || reach > probeFrames && best.enough() {
			break
		}
	}
	return best, nil
}

// betweenFrames is the correlation of a passage where it was found, or, where that is too
// little, between the frames there: half a frame takes much of high frequencies.
func (g aligner) betweenFrames(found candidate, of int64, passage [][]float64) (float64, error) {
	best := found.correlation
	frames := len(passage[0])
	if needed := leastSimilarity(int64(frames), g.rate); math.Abs(best) >= needed || math.Abs(best) < needed/2 {
		return best, nil
	}
	for between := -0.5; between <= 0.5; between += 0.125 {
		m := timemap.Map{Delay: float64(found.frame-of) + between, Speed: 1}
		err := g.eachWindow(m, []planes.Extent{{From: of, Frames: frames}}, passage, func(x, y []float64) {
			var xx, xy, yy float64
			for k := range x {
				xx, xy, yy = xx+x[k]*x[k], xy+x[k]*y[k], yy+y[k]*y[k]
			}
			if r := xy / math.Sqrt(xx*yy); math.Abs(r) > math.Abs(best) {
				best = r
			}
		})
		if err != nil {
			return best, err
		}
	}
	return best, nil
}

// roughPPM is by how much a speed may be off that was found from one passage: half a frame at
// the ends of half a probe is 8 ppm.
const roughPPM = 40.0

// candidate is where a probe lies best.
type candidate struct {
	frame       int64
	fraction    float64 // frames from there to the peak
	correlation float64 // correlation over all of the probe, −1 to 1
	of          int64   // frame of the probe
	speed       float64
	needed      float64     // correlation from which on it is no chance
	others      []candidate // places that are as good
	scattered   bool        // it correlates enough, but the rest of the sound does not
	places      int         // of them, where none is best: else 0
	period      float64     // frames from one of those to the next, 0 where they are uneven
}

func (l candidate) placement() placement {
	return placement{Map: timemap.Map{Delay: float64(l.frame) - l.speed*float64(l.of), Speed: l.speed}, inverted: l.correlation < 0, slope: math.Inf(1)}
}

func (l candidate) enough() bool { return math.Abs(l.correlation) >= l.needed && !l.scattered }
