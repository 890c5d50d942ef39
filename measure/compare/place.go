package compare

import (
	"math"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

// placement is where a frame of A lies in B, and with which sign.
type placement struct {
	timemap.Map
	inverted bool
	spread   float64 // frames: how far the windows' delays lie from the map
	windows  int     // how many it was made from
}

// exact tells whether frames of A fall on frames of B.
func (p placement) exact() bool { return p.Speed == 1 && p.Delay == math.Trunc(p.Delay) }

// overlap are the frames of A that B covers, from one to another.
func (p placement) overlap(framesA, framesB int64) (from, to int64) {
	from = max(0, int64(math.Ceil(-p.Delay/p.Speed)))
	last := (float64(framesB-1) - p.Delay) / p.Speed
	return from, max(from, min(framesA, int64(math.Floor(last))+1))
}

const (
	probeFrames    = 1 << 18 // 5.5 s at 48 kHz: what is looked for first
	nearFrames     = 1 << 21 // 44 s: how far away it is looked for first; then everywhere
	leastWindow    = 0.4     // of a window whose place is known
	sureSimilarity = 0.9     // no other place can be better by much
	windowFrames   = 1 << 15 // 0.7 s: what the delay is read from, here and there
	mostWindows    = 48
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
// as smooth, unless it is a copy, and a few frames tell nothing.
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
	search := aligner{a, b, pa, pb, channel, c.Rate, s.AsLying}
	turned := pb.frames < pa.frames
	if turned {
		search = aligner{b, a, pb, pa, channel, c.Rate, s.AsLying}
	}
	place, found, err := search.find()
	if err != nil {
		return err
	}
	if turned {
		place.Map = timemap.Map{Delay: -place.Delay / place.Speed, Speed: 1 / place.Speed}
	}
	from, to := place.overlap(c.FramesA, c.FramesB)
	found.needed = max(found.needed, leastSimilarity(to-from, c.Rate))
	c.Similarity, c.needed, c.Same, c.place = found.correlation, found.needed, found.enough(), place
	return nil
}

// aligner looks for the sound short in the sound long.
type aligner struct {
	short, long   func() (wave.Source, error)
	shortP, longP *profile
	channel       int
	rate          int
	asLying       bool
}

// find tries the loudest passage, and then, if that is not there, the loudest of
// each third.
func (g aligner) find() (placement, candidate, error) {
	best := candidate{speed: 1, needed: 1}
	third := g.shortP.frames / 3
	for i, r := range [][2]int64{{0, g.shortP.frames}, {0, third}, {third, 2 * third}, {2 * third, g.shortP.frames}} {
		frames := min(probeFrames, r[1]-r[0])
		if frames == 0 {
			break
		}
		at, _ := g.shortP.loudestStretch(g.channel, frames, r[0], r[1])
		at = max(r[0], min(at, r[1]-frames))
		found, err := g.place(at, int(frames), i == 0)
		if err != nil {
			return placement{}, best, err
		}
		if math.Abs(found.correlation)/found.needed > math.Abs(best.correlation)/best.needed {
			best = found
		}
		if best.enough() || g.asLying {
			break
		}
	}
	if best.enough() && !g.asLying && len(best.others) > 1 {
		if err := g.byTheEdges(&best); err != nil {
			return placement{}, best, err
		}
	}
	p := best.placement()
	if !best.enough() || g.asLying {
		return p, best, nil
	}
	p, err := g.follow(p, best.of+probeFrames/2)
	if err == nil && p.Speed != 1 { // once more, with the drift taken out
		p, err = g.follow(p, best.of+probeFrames/2)
	}
	if err == nil && p.Speed == 1 && !p.exact() {
		p, err = g.wholeIfAsGood(p)
	}
	return p, best, err
}

// wholeIfAsGood takes whole frames where the fraction explains no more than half of
// what differs: then it is the phase of a filter, and no delay.
func (g aligner) wholeIfAsGood(p placement) (placement, error) {
	whole := p
	whole.Delay = math.Round(p.Delay)
	from, to := p.overlap(g.shortP.frames, g.longP.frames)
	windows := g.loudWindows(from, to, int(min(windowFrames, to-from)))
	short, err := gather(g.short, g.channel, windows)
	if err != nil {
		return p, err
	}
	with, err := g.unlike(p, windows, short)
	if err != nil {
		return p, err
	}
	without, err := g.unlike(whole, windows, short)
	if err == nil && without < 2*with {
		p = whole
	}
	return p, err
}

// unlike is the share of the energy of the long sound's differences, from frame to
// frame, that does not follow those of the short one's windows at a place.
func (g aligner) unlike(p placement, windows []extent, short [][]float64) (float64, error) {
	there := make([]extent, len(windows))
	for i, w := range windows {
		there[i] = extent{int64(math.Floor(p.At(int(w.from)))) - timemap.Taps, w.frames + 2*timemap.Taps}
	}
	long, err := gather(g.long, g.channel, there)
	if err != nil {
		return 0, err
	}
	rest, all := 0.0, 0.0
	for i, w := range windows {
		first := p.At(int(w.from)) - float64(there[i].from)
		x, y := differences1(short[i]), differences1(timemap.Map{Delay: first, Speed: 1}.Resample(long[i], 0, w.frames))
		var xx, xy, yy float64
		for k := timemap.Taps; k < len(x)-timemap.Taps; k++ {
			xx, xy, yy = xx+x[k]*x[k], xy+x[k]*y[k], yy+y[k]*y[k]
		}
		if xx > 0 {
			rest, all = rest+yy-xy*xy/xx, all+yy
		}
	}
	return rest / max(all, math.SmallestNonzeroFloat64), nil
}

// place looks for a passage: near where it would be without a delay, then farther;
// if asked, also for one that another clock has stretched.
func (g aligner) place(at int64, frames int, stretched bool) (candidate, error) {
	probes, err := gather(g.short, g.channel, []extent{{at, frames}})
	if err != nil {
		return candidate{}, err
	}
	best := candidate{of: at, speed: 1, needed: leastSimilarity(int64(frames), g.rate)}
	try := func(reach int64, probe []float64, speed float64) error {
		from, to := max(at-reach, -int64(frames)+1), min(at+reach, g.longP.frames-1)
		if g.asLying {
			from, to = at, at
		}
		found, err := searchIn(g.long, g.longP.frames, g.channel, probe, from, to, at)
		if math.Abs(found.correlation) > math.Abs(best.correlation) {
			best.frame, best.correlation, best.speed, best.others = found.frame, found.correlation, speed, found.others
			best.needed = leastSimilarity(int64(len(probe)), g.rate)
		}
		return err
	}
	for _, reach := range []int64{probeFrames / 2, nearFrames, g.shortP.frames + g.longP.frames} {
		if err := try(reach, probes[0], 1); err != nil {
			return best, err
		}
		everywhere := g.asLying || at-reach < -int64(frames) && at+reach >= g.longP.frames
		if everywhere || math.Abs(best.correlation) >= sureSimilarity || reach > probeFrames && best.enough() {
			break
		}
	}
	if g.asLying || !stretched || best.enough() || frames < probeFrames/2 {
		return best, nil
	}
	half := probes[0][:probeFrames/2] // in which a wrong guess matters less
	for ppm := guessPPM; ppm <= timemap.MostDriftPPM; ppm += guessPPM {
		for _, speed := range []float64{1 + ppm*1e-6, 1 - ppm*1e-6} {
			slowed := timemap.Map{Speed: 1 / speed}.Resample(half, 0, len(half))
			if err := try(probeFrames/2, slowed, speed); err != nil {
				return best, err
			}
		}
	}
	return best, nil
}

// guessPPM is the step in which drifts are tried: half of it moves the ends of half
// a probe by 1.3 frames against its middle.
const guessPPM = 40.0

// candidate is where a probe lies best.
type candidate struct {
	frame       int64
	correlation float64 // correlation over all of the probe, −1 to 1
	of          int64   // frame of the probe
	speed       float64
	needed      float64     // correlation from which on it is no chance
	others      []candidate // places that are as good
}

func (l candidate) placement() placement {
	return placement{Map: timemap.Map{Delay: float64(l.frame) - l.speed*float64(l.of), Speed: l.speed}, inverted: l.correlation < 0}
}

func (l candidate) enough() bool { return math.Abs(l.correlation) >= l.needed }
