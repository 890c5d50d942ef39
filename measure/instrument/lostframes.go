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

// A buffer that is lost or played twice shifts all that follows: the recording jumps relative
// to the stimulus. A clock difference makes a slope instead. So the stimulus is tracked through
// the recording block by block, from the first mark to the last. Where the blocks after a place
// do not continue the line of those before it, there is a step.

const (
	trackMs = 50  // length of a block
	reachMs = 12  // steps up to this are searched, in addition to the error of the last mark's place
	mostMs  = 250 // a larger error of the marks means another sampling rate

	// leastTrackHz is the lowest frequency that is tracked. Below it a coupling capacitor in a
	// voice path delays the sound by many frames.
	leastTrackHz          = 200
	leastShare            = 0.25 // of a block's energy above leastTrackHz
	leastBlockCorrelation = 0.5  // least correlation coefficient of a block that is used

	// Costs in correlation coefficients summed over blocks: of a step, which is less than three
	// misplaced blocks lose, and of 1 ms of drift, for a steady clock and for an unsteady one.
	stepCost        = 2.5
	steadySlideCost = 12
	slideCost       = 4
	// mostSlidePPM is the largest clock difference that is followed from one block to the next.
	mostSlidePPM = 600

	// wanderPPM is how far a steady clock departs from its own line: by warming up, or by jitter
	// of ±25 ppm. (common practice, no source)
	wanderPPM = 50
	// A clock is unsteady, as that of a tape or a radio link, if the blocks of the first mark
	// and the code scatter by more than wowMs about a line. That line then does not hold
	// further on.
	wowMs    = 0.003
	wowPPM   = 1000
	stepsMs  = 0.125 // the smallest step that is found: 6 frames at 48 kHz
	fitted   = 15    // blocks on each side of a step through which its lines are fitted
	flatSide = 6     // least blocks on each side where the marks do not show the step
)

// lostStep is a step in a recording.
type lostStep struct {
	frames   float64 // more than 0: inserted or repeated; less than 0: lost
	from, to int     // frames of the recording between which the step lies
}

// track is the correlation of each block of a stimulus with a recording, at lags relative to a
// line.
type track struct {
	line         timemap.Map
	hop          int
	reach        int // lags range from −reach to reach
	first        int // frame of the stimulus at which block 0 begins
	correlations [][]float32
}

// trackOf tracks a range of the stimulus's frames through a recording. played and x are
// stimulus and recording without low frequencies, whole is the stimulus with them, and energy
// is the running sum of x². polarity is that of the path.
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

// path is the lag of each block. It maximises the sum of the correlations minus the costs of
// drift and steps, and starts at lag 0.
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

// trackPoint is the lag of a block relative to the line.
type trackPoint struct {
	block int
	lag   float64
}

// segment is a stretch of a path without a step.
type segment struct{ points []trackPoint }

// segments are the stretches of a path between steps, with the blocks that correlate well
// enough.
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
		for range 3 { // the maximum beside the path
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

// lineThrough is a line through points by the median of the slopes between them (Theil 1950,
// Sen 1968). scatter is 1.48 times the median distance from it, which is the standard deviation
// for a normal distribution.
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

// lostFrames finds the steps in a recording whose marks were found near two frames. signal is
// the sound that was played.
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
	shake, slide := wanderPPM*1e-6*float64(hop), float64(steadySlideCost) // frames per block
	steady := scatter <= wowMs*float64(rate)/1000
	if !steady {
		shake, slide = wowPPM*1e-6*float64(hop), slideCost
	}
	segments := t.segments(t.path(rate, slide))

	least := stepsMs * float64(rate) / 1000
	// The slope of n points over a span has a standard deviation of their scatter times
	// √(12/n)/span.
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
			// A device that delays some frequencies makes a path of slopes; a lost and a
			// repeated buffer make a path of level parts.
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
		return nil // signal and marks contradict each other
	case len(steps) == 0 && marksShow && steady:
		return []lostStep{{apart, int(line.At(codeEnd)), int(line.At(l.EndMark) + apart)}}
	case len(steps) == 1 && marksShow && steady || off:
		// The marks give the total, so the least certain step takes the difference.
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

// between is the range in which a step between two blocks may lie: it extends as far as the
// blocks correlate about as well with the lag of either side.
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

// withoutLow applies two one-pole high-passes, the same to the stimulus and its recording.
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

// lostError is the error for a recording with steps. begin is the frame of the file at which
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
	return &VoidError{FramesLost, -1, strings.Join(all, "; ") + ": the sound after it is shifted by more than a difference of clocks explains, so latency, clock, phase and distortion would not be the device's; record again with larger buffers, with nothing else running and both ends on one clock"}
}
