package instrument

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/internal/timemap"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// A buffer that is lost or played twice shifts all that follows: a step of the recording's
// place against the stimulus. A clock is a slope. So the stimulus is followed through the
// recording block by block, from its first mark to its last, and what lies on no line with
// what is before it is a step.

const (
	trackMs = 50  // length of a block
	reachMs = 12  // a step that is searched, beyond what the marks are apart
	mostMs  = 250 // further apart the marks belong to another rate

	// leastTrackHz is where the sound of a block has to lie: under it a coupling
	// capacitor of a voice path turns a phase by many frames.
	leastTrackHz          = 200
	leastShare            = 0.25 // of a block's energy that lies above it
	leastBlockCorrelation = 0.5  // correlation coefficient of a block that says where it is

	// In correlation coefficients, summed over blocks: what a step costs, which is less
	// than three blocks in the wrong place lose, and what 1 ms of a slide costs, of a
	// clock that is steady and of one that is not.
	stepCost        = 2.5
	steadySlideCost = 12
	slideCost       = 4
	// mostSlidePPM is a clock that a slide follows from one block to the next.
	mostSlidePPM = 600

	// bendPPM is by how much a steady clock leaves its own line: warming up, or jitter of
	// 25 ppm to either side. (common practice, no source)
	bendPPM = 50
	// A clock whose places scatter by wowMs about a line over the first mark and the code
	// is a tape's or a radio link's: its line says nothing of what is further away.
	wowMs    = 0.003
	wowPPM   = 1000
	stepsMs  = 0.125 // the least step that is one: 6 frames at 48 kHz
	fitted   = 15    // blocks on either side of a step that make its lines
	flatSide = 6     // blocks on either side, where the marks do not show the step
)

// lostStep is a step in a recording.
type lostStep struct {
	frames   float64 // more than 0: inserted or repeated; less: lost
	from, to int     // frames of the recording, between which it lies
}

// track is how like each block of a stimulus a recording is, at lags about a line.
type track struct {
	line         timemap.Map
	hop          int
	reach        int // lags go from −reach to reach
	first        int // frame of the stimulus at which block 0 begins
	correlations [][]float32
}

// trackOf follows the frames from one to another of a stimulus through a recording, both
// without their low frequencies. bent is the polarity of the path.
func trackOf(played, whole, x, energy []float64, line timemap.Map, from, to, reach, hop int, polarity float64) track {
	t := track{line: line, hop: hop, reach: reach, first: from}
	length := 1
	for length < hop+2*reach+1 {
		length *= 2
	}
	fft := spectra.NewFFT(length)
	block := make([]float64, length)
	bins, template := make([]complex128, length/2+1), make([]complex128, length/2+1)
	peak := 0.0
	for _, v := range played[from:min(to, len(played))] {
		peak = max(peak, math.Abs(v))
	}
	for at := from; at+hop <= to; at += hop {
		power, all := 0.0, 0.0
		for n, v := range played[at : at+hop] {
			power, all = power+v*v, all+whole[at+n]*whole[at+n]
		}
		if power < leastShare*all || all < 1e-10*peak*peak {
			t.correlations = append(t.correlations, nil)
			continue
		}
		copy(block, played[at:at+hop])
		clear(block[hop:])
		template = fft.Coefficients(template, block)
		begin := int(math.Round(line.At(at))) - reach
		clear(block)
		for n := range min(hop+2*reach+1, length) {
			if k := begin + n; k >= 0 && k < len(x) {
				block[n] = x[k]
			}
		}
		for k, v := range fft.Coefficients(bins, block) {
			bins[k] = v * complex(real(template[k]), -imag(template[k])) / complex(float64(length), 0)
		}
		row := make([]float32, 2*reach+1)
		for n, v := range fft.Sequence(block, bins)[:len(row)] {
			first, end := min(max(0, begin+n), len(x)), min(max(0, begin+n+hop), len(x))
			if e := energy[end] - energy[first]; e > 1e-12*energy[len(x)] {
				row[n] = float32(polarity * v / math.Sqrt(power*e))
			}
		}
		t.correlations = append(t.correlations, row)
	}
	return t
}

// path is the lag of each block that makes the sum of the correlations largest, less what
// slides and steps cost. It begins at lag 0.
func (t track) path(rate int, costPerMs float64) []int {
	lags := 2*t.reach + 1
	slide := float32(costPerMs * 1000 / float64(rate))
	most := int(math.Ceil(mostSlidePPM*1e-6*float64(t.hop))) + 1
	const stepped = math.MaxInt8
	score, next := make([]float32, lags), make([]float32, lags)
	for n := range score {
		score[n] = -min(stepCost, slide*float32(abs(n-t.reach)))
	}
	moves, best := make([][]int8, len(t.correlations)), make([]int, len(t.correlations))
	for k, row := range t.correlations {
		at := 0
		for n, v := range score {
			if v > score[at] {
				at = n
			}
		}
		best[k], moves[k] = at, make([]int8, lags)
		for n := range next {
			value, move := score[at]-stepCost, int8(stepped)
			for m := max(-most, n-lags+1); m <= min(most, n); m++ {
				if v := score[n-m] - slide*float32(abs(m)); v > value || v == value && m == 0 {
					value, move = v, int8(m)
				}
			}
			if row != nil {
				value += row[n]
			}
			next[n], moves[k][n] = value, move
		}
		score, next = next, score
	}
	at := 0
	for n, v := range score {
		if v > score[at] {
			at = n
		}
	}
	path := make([]int, len(t.correlations))
	for k := len(path) - 1; k >= 0; k-- {
		path[k] = at - t.reach
		if m := moves[k][at]; m == stepped {
			at = best[k]
		} else {
			at -= int(m)
		}
	}
	return path
}

// trackPoint is where a block lies against the line.
type trackPoint struct {
	block int
	lag   float64
}

// segment is a stretch of a path without a step.
type segment struct{ points []trackPoint }

// segments are the stretches of a path that say where they are.
func (t track) segments(path []int) (all []segment) {
	most := int(math.Ceil(mostSlidePPM*1e-6*float64(t.hop))) + 1
	var s segment
	for k, row := range t.correlations {
		if k > 0 && abs(path[k]-path[k-1]) > most {
			all, s = append(all, s), segment{}
		}
		if row == nil {
			continue
		}
		n := path[k] + t.reach
		for range 3 { // the crest beside the path
			switch {
			case n+1 < len(row) && row[n+1] > row[n]:
				n++
			case n > 0 && row[n-1] > row[n]:
				n--
			}
		}
		if n == 0 || n+1 == len(row) || row[n] < leastBlockCorrelation {
			continue
		}
		a, b, c := float64(row[n-1]), float64(row[n]), float64(row[n+1])
		lag := float64(n - t.reach)
		if d := a - 2*b + c; d < 0 {
			lag += max(-0.5, min(0.5, (a-c)/(2*d)))
		}
		s.points = append(s.points, trackPoint{k, lag})
	}
	all = append(all, s)
	return slices.DeleteFunc(all, func(s segment) bool { return len(s.points) == 0 })
}

// lineThrough is a line through points, by the median of the slopes between them
// (Theil 1950, Sen 1968), and by how much they leave it: 1.48 medians, which is the standard
// deviation of a normal distribution.
func lineThrough(points []trackPoint) (slope, at0, scatter float64) {
	var slopes, starts []float64
	for i, p := range points {
		for _, q := range points[:i] {
			slopes = append(slopes, (p.lag-q.lag)/float64(p.block-q.block))
		}
	}
	if len(points) > 2 {
		slices.Sort(slopes)
		slope = slopes[len(slopes)/2]
	}
	for _, p := range points {
		starts = append(starts, p.lag-slope*float64(p.block))
	}
	sorted := slices.Sorted(slices.Values(starts))
	at0 = sorted[len(sorted)/2]
	for i, v := range starts {
		sorted[i] = math.Abs(v - at0)
	}
	slices.Sort(sorted)
	return slope, at0, 1.48 * sorted[len(sorted)/2]
}

// lostFrames finds the steps in a recording whose marks were found near two frames. signal
// is what was played.
func lostFrames(s stimulus.Signal, signal, x []float64, l stimulus.Layout, rate, nearStart, nearEnd int) []lostStep {
	hop := rate * trackMs / 1000
	up, down := stimulus.MarkChirp(rate, true), stimulus.MarkChirp(rate, false)
	first := placeChirp(x, up, float64(rate), nearStart, 0)
	polarity := math.Copysign(1, first.gain)
	played, recorded := withoutLow(signal, rate), withoutLow(x, rate)
	energy := make([]float64, len(recorded)+1)
	for n, v := range recorded {
		energy[n+1] = energy[n] + v*v
	}
	reach := rate * reachMs / 1000
	codeEnd := l.Code + stimulus.CodeBits*l.Symbol
	line := timemap.Map{Delay: first.frame - float64(l.StartMark), Speed: 1}
	head := trackOf(played, signal, recorded, energy, line, l.StartMark, codeEnd, reach, hop, polarity)
	slope, scatter, span := 0.0, 0.0, 1
	for _, s := range head.segments(head.path(rate, slideCost)) {
		if blocks := s.points[len(s.points)-1].block - s.points[0].block; len(s.points) >= 4 && blocks > span {
			slope, _, scatter = lineThrough(s.points)
			span = blocks
		}
	}
	line.Speed = 1 + slope/float64(hop)
	line.Delay = placeChirp(x, up, float64(rate)*line.Speed, nearStart, polarity).frame - line.Speed*float64(l.StartMark)
	apart := placeChirp(x, down, float64(rate)*line.Speed, nearEnd, polarity).frame - line.At(l.EndMark)
	if math.Abs(apart) > float64(rate)*mostMs/1000 {
		return nil
	}
	reach += int(math.Ceil(math.Abs(apart)))
	t := trackOf(played, signal, recorded, energy, line, l.StartMark, l.EndMark+l.Mark, reach, hop, polarity)
	shake, slide := bendPPM*1e-6*float64(hop), float64(steadySlideCost) // frames a block
	steady := scatter <= wowMs*float64(rate)/1000
	if !steady {
		shake, slide = wowPPM*1e-6*float64(hop), slideCost
	}
	segments := t.segments(t.path(rate, slide))

	least := stepsMs * float64(rate) / 1000
	// The slope of n points over a span is known to their scatter times √(12/n)/span.
	open := shake + 4*scatter*math.Sqrt(12/float64(span+1))/float64(span)
	marksShow := math.Abs(apart) > least+open*float64(l.EndMark-l.StartMark)/float64(hop)
	_, swept := s.(stimulus.Swept)
	var steps []lostStep
	sum := 0.0
	for i := 1; i < len(segments); i++ {
		before, after := segments[i-1].points, segments[i].points
		before, after = before[max(0, len(before)-fitted):], after[:min(fitted, len(after))]
		a, b := before[len(before)-1], after[0]
		slopeA, atA, scatterA := lineThrough(before)
		slopeB, atB, scatterB := lineThrough(after)
		middle := float64(a.block+b.block) / 2
		step := atB + slopeB*middle - atA - slopeA*middle
		if math.Abs(step) < least+open*float64(b.block-a.block)+4*math.Hypot(scatterA, scatterB) {
			continue
		}
		if !marksShow {
			// A device that delays some frequencies makes a path of slopes; a pair of lost
			// and repeated buffers makes level ones.
			if len(before) < flatSide || len(after) < flatSide || math.Hypot(scatterA, scatterB) > least/4 ||
				swept && float64(fitted)*max(math.Abs(slopeA), math.Abs(slopeB)) > least {
				continue
			}
		}
		from, to := t.between(a, b)
		steps = append(steps, lostStep{step, from, to})
		sum += step
	}
	rest := apart - sum
	off := math.Abs(rest) > least+open*float64(l.EndMark-l.StartMark)/float64(hop)
	switch {
	case off && !marksShow:
		return nil // what the signal shows is not what the marks show
	case len(steps) == 0 && marksShow && steady:
		return []lostStep{{apart, int(line.At(codeEnd)), int(line.At(l.EndMark) + apart)}}
	case len(steps) == 1 && marksShow && steady || off:
		// The marks are a measure of the whole: the step that is open the most has the rest.
		widest := 0
		for i, s := range steps {
			if s.to-s.from > steps[widest].to-steps[widest].from {
				widest = i
			}
		}
		if len(steps) > 0 {
			steps[widest].frames += rest
		}
	}
	return steps
}

// between is where a step may lie between two blocks or beside them: wherever the blocks are as
// like the recording on one side of it as on the other.
func (t track) between(a, b trackPoint) (from, to int) {
	const asLike = 0.3
	like := func(k int, lag float64) float64 {
		row, n, most := t.correlations[k], int(math.Round(lag))+t.reach, float32(0)
		if row == nil {
			return 0
		}
		for m := max(0, n-1); m <= min(len(row)-1, n+1); m++ {
			most = max(most, row[m])
		}
		return float64(most)
	}
	first, last := a.block, b.block
	for sum := 0.0; first >= 0; first-- {
		if sum += like(first, a.lag) - like(first, b.lag); sum > asLike {
			break
		}
	}
	for sum := 0.0; last < len(t.correlations); last++ {
		if sum += like(last, b.lag) - like(last, a.lag); sum > asLike {
			break
		}
	}
	first, last = max(0, first), min(len(t.correlations)-1, last)
	return int(t.line.At(t.first+first*t.hop) + a.lag), int(t.line.At(t.first+(last+1)*t.hop) + b.lag)
}

// withoutLow is a sound behind two high-passes of one pole, which both the stimulus and its
// recording go through.
func withoutLow(x []float64, rate int) []float64 {
	out := append([]float64(nil), x...)
	keep := math.Exp(-2 * math.Pi * leastTrackHz / float64(rate))
	for range 2 {
		last, y := 0.0, 0.0
		for n, v := range out {
			y = keep * (y + v - last)
			last, out[n] = v, y
		}
	}
	return out
}

// lostError is the error of a recording with steps. begin is the frame of the file at which
// the recording begins.
func lostError(steps []lostStep, rate, begin int) *VoidError {
	var all []string
	for _, s := range steps {
		what := "lost"
		if s.frames > 0 {
			what = "inserted or repeated"
		}
		ms := func(frame int) int { return int(math.Round(float64(max(0, frame+begin)) * 1000 / float64(rate))) }
		all = append(all, fmt.Sprintf("about %s %s between %d and %d ms of the recording", dsp.Plural(int(math.Round(math.Abs(s.frames))), "frame"), what, ms(s.from), ms(s.to)))
	}
	return &VoidError{FramesLost, -1, strings.Join(all, "; ") + ": what follows lies elsewhere than a clock would place it, so latency, clock, phase and distortion would not be the device's; record again with larger buffers, with nothing else running and both ends on one clock"}
}
