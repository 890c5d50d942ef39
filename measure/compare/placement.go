package compare

import (
	"math"
	"math/cmplx"
	"sort"

	"gonum.org/v1/gonum/dsp/fourier"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/spectra"
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

// leastSimilarity is the correlation from which on two sounds are taken for one in
// two versions, by the length of the passage that is looked for. Differences from
// frame to frame of unrelated speech were found to correlate, at the best of all
// places, by up to 0.85 over 10 to 200 ms, 0.47 over 1 s, 0.64 over up to 3 s and
// 0.34 over 5 s, generated and recorded (see the tests); equalising and compressing
// a voice leaves more than 0.7. What is shorter than 10 ms is like anything that is
// as smooth, unless it is a copy, and a few frames tell nothing.
func leastSimilarity(frames int64, rate int) float64 {
	switch seconds := float64(frames) / float64(rate); {
	case frames < 32:
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
	c.Similarity, c.needed, c.Same, c.place = found.likeness, found.needed, found.enough(), place
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
func (g aligner) find() (placement, likely, error) {
	best := likely{speed: 1, needed: 1}
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
		if math.Abs(found.likeness)/found.needed > math.Abs(best.likeness)/best.needed {
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

// mostPlaces is how many places that are as good are looked at, the nearest ones.
const mostPlaces = 400

// byTheEdges chooses among places that are as good, as there are in a tone: where the
// sound begins and ends tells which of them it is. If nothing does, the first stays,
// which is the nearest.
func (g aligner) byTheEdges(best *likely) error {
	sort.SliceStable(best.others, func(i, j int) bool {
		return absolute(best.others[i].frame-best.of) < absolute(best.others[j].frame-best.of)
	})
	const frames, around = 4096, timemap.Taps + 64
	edges := []extent{{-around, frames}, {g.shortP.frames - frames + around, frames}}
	ends, err := gather(g.short, g.channel, edges)
	if err != nil {
		return err
	}
	least := math.Inf(1)
	for _, place := range best.others[:min(mostPlaces, len(best.others))] {
		here := *best
		here.frame, here.likeness = place.frame, place.likeness
		unlike, err := g.unlike(here.placement(), edges, ends)
		if err != nil {
			return err
		}
		if unlike < least-1e-6 {
			least, best.frame, best.likeness = unlike, place.frame, place.likeness
		}
	}
	return nil
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
func (g aligner) place(at int64, frames int, stretched bool) (likely, error) {
	probes, err := gather(g.short, g.channel, []extent{{at, frames}})
	if err != nil {
		return likely{}, err
	}
	best := likely{of: at, speed: 1, needed: leastSimilarity(int64(frames), g.rate)}
	try := func(reach int64, probe []float64, speed float64) error {
		from, to := max(at-reach, -int64(frames)+1), min(at+reach, g.longP.frames-1)
		if g.asLying {
			from, to = at, at
		}
		found, err := searchIn(g.long, g.longP.frames, g.channel, probe, from, to, at)
		if math.Abs(found.likeness) > math.Abs(best.likeness) {
			best.frame, best.likeness, best.speed, best.others = found.frame, found.likeness, speed, found.others
			best.needed = leastSimilarity(int64(len(probe)), g.rate)
		}
		return err
	}
	for _, reach := range []int64{probeFrames / 2, nearFrames, g.shortP.frames + g.longP.frames} {
		if err := try(reach, probes[0], 1); err != nil {
			return best, err
		}
		everywhere := g.asLying || at-reach < -int64(frames) && at+reach >= g.longP.frames
		if everywhere || math.Abs(best.likeness) >= sureSimilarity || reach > probeFrames && best.enough() {
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

// likely is where a probe lies best.
type likely struct {
	frame    int64
	likeness float64 // correlation over all of the probe, −1 to 1
	of       int64   // frame of the probe
	speed    float64
	needed   float64  // likeness from which on it is no chance
	others   []likely // places that are as good
}

func (l likely) placement() placement {
	return placement{Map: timemap.Map{Delay: float64(l.frame) - l.speed*float64(l.of), Speed: l.speed}, inverted: l.likeness < 0}
}

func (l likely) enough() bool { return math.Abs(l.likeness) >= l.needed }

// searchIn correlates a probe with a sound for every place from one to another, by
// transforms of a block at a time. Of peaks that are as good, as in a tone, the one
// next to home is meant.
func searchIn(open func() (wave.Source, error), frames int64, channel int, probe []float64, from, to, home int64) (likely, error) {
	length := 2
	for length < 2*len(probe) {
		length *= 2
	}
	step := length - len(probe) + 1
	probe = differences1(probe)
	probe[0] = 0 // what was before is not in it
	energy := planes.SumOfSquares(probe)
	fft := fourier.NewFFT(length)
	padded := make([]float64, length)
	copy(padded, probe)
	template := fft.Coefficients(nil, padded)
	best := likely{}
	var bins []complex128
	var lags []float64
	var candidates []likely
	for at := from; at <= to; at += int64(step) {
		blocks, err := gather(open, channel, []extent{{at - 1, length + 1}})
		if err != nil {
			return best, err
		}
		x := differences1(blocks[0])[1:]
		for _, edge := range []int64{0, frames} { // a file's begin and end are no jumps of the sound
			if k := edge - at; k >= 0 && k < int64(len(x)) {
				x[k] = 0
			}
		}
		bins = fft.Coefficients(bins, x)
		for k := range bins {
			bins[k] *= cmplx.Conj(template[k])
		}
		lags = fft.Sequence(lags, bins)
		sums := make([]float64, length+1)
		for n, v := range x {
			sums[n+1] = sums[n] + v*v
		}
		for k := 0; k < step && at+int64(k) <= to; k++ {
			there := sums[k+len(probe)] - sums[k]
			// A place with a tenth of the energy is an edge, and not a likeness.
			norm := math.Sqrt(energy * max(there, 0.1*energy*minRatio(energy, there)))
			if norm == 0 {
				continue
			}
			r := lags[k] / float64(length) / norm
			if math.Abs(r) < math.Abs(best.likeness)*asGood {
				continue
			}
			here := likely{frame: at + int64(k), likeness: r}
			candidates = append(candidates, here)
			if math.Abs(r) > math.Abs(best.likeness) {
				best = here
			}
		}
	}
	nearest := best
	var others []likely
	for _, p := range peaksOf(candidates) {
		if math.Abs(p.likeness) < math.Abs(best.likeness)*asGood {
			continue
		}
		others = append(others, p)
		if absolute(p.frame-home) < absolute(nearest.frame-home) {
			nearest = p
		}
	}
	nearest.others = others
	return nearest, nil
}

// asGood is the share of the best likeness from which on a peak is as good: where
// whole periods of a tone are missing at an end, a little is lost.
const asGood = 1 - 1e-3

// peaksOf keeps the best of every run of neighbouring places of one sign.
func peaksOf(places []likely) (peaks []likely) {
	for i, p := range places {
		if i > 0 && p.frame == places[i-1].frame+1 && p.likeness*places[i-1].likeness > 0 {
			if last := &peaks[len(peaks)-1]; math.Abs(p.likeness) > math.Abs(last.likeness) {
				*last = p
			}
			continue
		}
		peaks = append(peaks, p)
	}
	return peaks
}

// minRatio lets a sound that is quieter as a whole still be found: the floor of its
// energy goes with the level there.
func minRatio(energy, there float64) float64 {
	if energy == 0 {
		return 0
	}
	return min(1, there/energy)
}

func absolute(n int64) int64 { return max(n, -n) }

// differences1 are the differences from frame to frame.
func differences1(x []float64) []float64 {
	d := make([]float64, len(x))
	before := 0.0
	for n, v := range x {
		d[n] = v - before
		before = v
	}
	return d
}

// windowDelay is the delay that a window shows.
type windowDelay struct {
	centre   float64 // frame of A
	delay    float64
	likeness float64
}

// follow reads the delay in windows all over the overlap and fits a line: what
// rises or falls is the drift of a clock. It begins at a frame where the place is
// sure.
func (g aligner) follow(p placement, sure int64) (placement, error) {
	from, to := p.overlap(g.shortP.frames, g.longP.frames)
	frames := int(min(windowFrames, to-from))
	if frames < 64 {
		return p, nil
	}
	windows := g.loudWindows(from, to, frames)
	centre := func(w extent) int64 { return w.from + int64(frames)/2 }
	sort.Slice(windows, func(i, j int) bool { return absolute(centre(windows[i])-sure) < absolute(centre(windows[j])-sure) })
	margins := make([]int, len(windows))
	there := make([]extent, len(windows))
	for i, w := range windows {
		// A clock that differs by more than the guess would not have been found.
		margins[i] = 64 + int(1.5*guessPPM*1e-6*float64(absolute(centre(w)-sure)))
		edge := margins[i] + timemap.Taps
		there[i] = extent{int64(math.Floor(p.At(int(w.from)))) - int64(edge), frames + 2*edge + frames/500}
	}
	here, err := gather(g.short, g.channel, windows)
	if err != nil {
		return p, err
	}
	long, err := gather(g.long, g.channel, there)
	if err != nil {
		return p, err
	}
	var read []windowDelay
	line := timemap.Map{Speed: 1} // of what the place does not have yet
	for i, w := range windows {
		// The long sound on the short one's clock, from a margin ahead of the window.
		first := p.At(int(w.from)) - p.Speed*float64(margins[i]) - float64(there[i].from)
		count := frames + 2*margins[i]
		sound := long[i]
		if p.Speed == 1 && first == math.Trunc(first) {
			sound = sound[int(first) : int(first)+count]
		} else {
			sound = timemap.Map{Delay: first, Speed: p.Speed}.Resample(sound, 0, count)
		}
		more := line.At(int(centre(w))) - float64(centre(w))
		d, likeness := delayNear(here[i], sound, more+float64(margins[i]))
		if math.Abs(likeness) < leastWindow || (likeness < 0) != p.inverted {
			continue
		}
		read = append(read, windowDelay{float64(centre(w)), d - float64(margins[i]), math.Abs(likeness)})
		if len(read) > 3 {
			line, _ = fitLine(read)
		}
	}
	return p.settle(read), nil
}

// loudWindows are a window from each of equal slices, where it is loudest, unless
// that is quiet.
func (g aligner) loudWindows(from, to int64, frames int) []extent {
	slices := min(mostWindows, max(1, (to-from)/int64(frames)))
	var windows []extent
	var loudness []float64
	most := 0.0
	for i := range slices {
		lo, hi := from+i*(to-from)/slices, from+(i+1)*(to-from)/slices
		at, energy := g.shortP.loudestStretch(g.channel, int64(frames), lo, hi)
		windows = append(windows, extent{max(from, min(at, to-int64(frames))), frames})
		loudness = append(loudness, energy)
		most = max(most, energy)
	}
	var loud []extent
	for i, w := range windows {
		if loudness[i] >= most*1e-4 { // 40 dB under the loudest
			loud = append(loud, w)
		}
	}
	return loud
}

// settle is the place with what the windows show of it: delays that are left, in
// frames of the short sound.
func (p placement) settle(read []windowDelay) placement {
	p.windows = len(read)
	if len(read) == 0 {
		return p
	}
	line, spread := fitLine(read)
	p.spread = spread
	// The place of a frame that lies a delay later on the short sound's clock.
	p.Delay += p.Speed * line.Delay
	p.Speed *= line.Speed
	first, last := read[0].centre, read[0].centre
	for _, w := range read {
		first, last = min(first, w.centre), max(last, w.centre)
	}
	// A line that rises by no more than the windows scatter is level.
	if math.Abs(p.Speed-1)*(last-first) < max(sameDelay, 2*spread) {
		p.Delay += (p.Speed - 1) * (first + last) / 2
		p.Speed = 1
	}
	if whole := math.Round(p.Delay); p.Speed == 1 && math.Abs(p.Delay-whole) < sameDelay {
		p.Delay = whole
	}
	return p
}

// fitLine fits delays over frames, twice: the second time without what lies far
// from the first.
func fitLine(read []windowDelay) (line timemap.Map, spread float64) {
	kept := read
	for range 2 {
		var n, sx, sy, sxx, sxy float64
		for _, w := range kept {
			weight := w.likeness * w.likeness
			n, sx, sy = n+weight, sx+weight*w.centre, sy+weight*w.delay
			sxx, sxy = sxx+weight*w.centre*w.centre, sxy+weight*w.centre*w.delay
		}
		line = timemap.Map{Delay: sy / n, Speed: 1}
		if det := n*sxx - sx*sx; len(kept) > 2 && det > 1e-9*n*sxx {
			line.Speed = 1 + (n*sxy-sx*sy)/det
			line.Delay = (sy - (line.Speed-1)*sx) / n
		}
		off := make([]float64, len(kept))
		for i, w := range kept {
			off[i] = math.Abs(w.delay - line.Delay - (line.Speed-1)*w.centre)
		}
		sorted := append([]float64(nil), off...)
		sort.Float64s(sorted)
		spread = 1.48 * sorted[len(sorted)/2] // a normal deviation from the median (Hampel 1974)
		var near []windowDelay
		for i, w := range kept {
			if off[i] <= max(4*spread, sameDelay/2) {
				near = append(near, w)
			}
		}
		if len(near) < 3 || len(near) == len(kept) {
			break
		}
		kept = near
	}
	return line, spread
}

// crestNear is crest within a frame of 0, from the best of nine places: a broad or
// narrow peak sends Newton astray.
func crestNear(spectrum []complex128, length int) (at, value float64) {
	best := 0.0
	for lag := -1.0; lag <= 1; lag += 0.25 {
		sum := 0.0
		turn, step := complex(1, 0), cmplx.Rect(1, 2*math.Pi*lag/float64(length))
		for _, v := range spectrum {
			sum += real(v)*real(turn) - imag(v)*imag(turn)
			turn *= step
		}
		if math.Abs(sum) > math.Abs(value) {
			best, value = lag, sum
		}
	}
	if found, v := spectra.Crest(spectrum, length, best); math.Abs(found-best) <= 0.5 {
		return found, v
	}
	return best, value
}

// delayNear is by how many frames a window of A lies behind the beginning of a
// longer one of B, next to an expected number, between the frames.
func delayNear(a, b []float64, expected float64) (delay, likeness float64) {
	length := 2
	for length < len(a)+len(b) {
		length *= 2
	}
	window := spectra.Hann(len(a))
	x := differences1(a)
	for n, w := range window {
		x[n] *= w
	}
	fft := fourier.NewFFT(length)
	template := fft.Coefficients(nil, append(x, make([]float64, length-len(x))...))
	y := differences1(b)
	y[0] = 0
	spectrum := fft.Coefficients(nil, append(y, make([]float64, length-len(y))...))
	for k := range spectrum {
		spectrum[k] *= cmplx.Conj(template[k])
	}
	lags := fft.Sequence(nil, spectrum)
	best, most, energy := 0, -1.0, planes.SumOfSquares(y[:len(a)])
	for k := 0; k <= len(b)-len(a); k++ {
		// Against the energy that lies there, or louder neighbours win. Nearer counts
		// a little more: a tone is as good every period.
		weight := max(0.9, 1-1e-3*math.Abs(float64(k)-expected)/64)
		if r := math.Abs(lags[k]) / math.Sqrt(energy+1e-30) * weight; r > most {
			best, most = k, r
		}
		if k+len(a) < len(y) {
			energy = max(0, energy+y[k+len(a)]*y[k+len(a)]-y[k]*y[k])
		}
	}
	// Between the frames, with both in the same window.
	segment := append([]float64(nil), y[best:best+len(a)]...)
	for n, w := range window {
		segment[n] *= w
	}
	short := fourier.NewFFT(len(a))
	bins, own := short.Coefficients(nil, segment), short.Coefficients(nil, x[:len(a)])
	for k := range bins {
		bins[k] *= cmplx.Conj(own[k])
	}
	at, value := crestNear(bins, len(a))
	value *= 2 / float64(len(a)) // half a spectrum
	norm := math.Sqrt(planes.SumOfSquares(x) * planes.SumOfSquares(segment))
	if norm == 0 {
		return expected, 0
	}
	return float64(best) + at, value / norm
}
