package instrument

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// A recorded sweep is compared with itself. Over a few periods a device answers it with a sine
// and its harmonics, whose levels and phases change slowly. When these are removed, what
// remains is noise, hum, reverberation and high harmonics, which are continuous. A dropout, a
// click or a lost piece exceeds them for an instant.

const (
	// Each harmonic is averaged three times over sweptTurns periods. This has zeros at the
	// other harmonics, and removes at most 30 % of the spectrum.
	sweptTurns = 2
	sweptTimes = 3
	// followedOrders is the number of harmonics that are removed, the fundamental included.
	followedOrders = 5
	// The removal is repeated on its own result: this squares the relative error from a level
	// that changes within a window.
	sweptRounds = 2

	// A block holds a period of the sweep and of mains: a sound that repeats with either is in
	// every block.
	sweptBlockMs = 20
	// A block is suspect if its largest sample exceeds standsOut times the median of those of
	// the blocksAround blocks on either side. With 120 random devices the largest ratio was
	// 3.0. (a test)
	standsOut    = 3.5
	blocksAround = 8
	// A break also exceeds the pieces around it by standsOut, of which piecesAround are on
	// either side. A piece has pieceMs or a period of the sweep. The residue of a resonance or
	// of a clipped top lasts longer.
	pieceMs      = 1
	piecesAround = 8
	// At its ends a sweep is switched on and off, and the device may delay that.
	sweptEdgeMs = 30

	// A gate or a compressor that acts during the sweep exceeds its surroundings too, but no
	// faster than its gain can move: the slope of the residue changes by what it covers within
	// gainMs. This is half of the shortest attack tried, because a gain that opens by 50 dB,
	// smoothed in dB, moves faster than its time constant. (a test)
	gainMs = 0.25
	// Such a change of slope also exceeds those around it by edgeOut, which noise does not.
	edgeOut = 2
	// A break that jumps by less than leastBreak of the sweep around it, −70 dB, is left: the
	// spectrum of such a click over that of a sweep of 4 s from 20 Hz to 20 kHz is −126 dB at
	// 1 kHz (computed). Folded harmonics that cross the sweep leave residues under −100 dB.
	leastBreak = 3e-4
)

// sweptTrack is the phase of a sweep over its frames.
type sweptTrack struct {
	fromHz, growth, rate float64
	frames               int
}

func sweptTrackOf(s stimulus.Swept, rate int) sweptTrack {
	from, to := s.Band()
	growth := s.HarmonicAdvance(2) / math.Ln2
	return sweptTrack{from, growth, float64(rate), int(growth * math.Log(to/from) * float64(rate))}
}

func (t sweptTrack) hz(frame float64) float64 {
	return t.fromHz * math.Exp(frame/t.rate/t.growth)
}

// turns is the number of turns of the sweep up to a frame.
func (t sweptTrack) turns(frame float64) float64 { return t.growth * t.hz(frame) }

// frameOf is the frame at which the sweep has a frequency.
func (t sweptTrack) frameOf(hz float64) float64 {
	return t.rate * t.growth * math.Log(hz/t.fromHz)
}

// frame is the frame at which the sweep has made a number of turns.
func (t sweptTrack) frame(turns float64) float64 {
	return t.rate * t.growth * math.Log(turns/t.growth/t.fromHz)
}

// smoother is a running mean over some turns of a sweep, in which every turn has the same
// weight.
type smoother struct {
	weights []float64 // turns per frame
	means   []meanOfTurns
	sums    []complex128
}

// meanOfTurns is where a mean begins and ends: a frame and the fraction of that frame.
type meanOfTurns struct {
	first, last           int32
	firstShare, lastShare float64
	scale                 float64 // reciprocal of its turns
}

func newSmoother(t sweptTrack) *smoother {
	s := &smoother{weights: make([]float64, t.frames), means: make([]meanOfTurns, t.frames), sums: make([]complex128, t.frames+1)}
	turns := make([]float64, t.frames+1) // cumulative sums of the weights
	for n := range t.frames {
		s.weights[n] = t.hz(float64(n)) / t.rate
		turns[n+1] = turns[n] + s.weights[n]
	}
	// Both ends of the mean advance with its middle.
	first, last := 0, 0
	for n := range t.frames {
		middle := turns[n] + s.weights[n]/2
		m := &s.means[n]
		for turns[first+1] < middle-sweptTurns/2.0 {
			first++
		}
		for last+1 < t.frames && turns[last+1] < middle+sweptTurns/2.0 {
			last++
		}
		within := func(turn float64, at int) float64 {
			return max(0, min(1, (turn-turns[at])/s.weights[at]))
		}
		m.first, m.last = int32(first), int32(last)
		m.firstShare, m.lastShare = within(middle-sweptTurns/2.0, first), within(middle+sweptTurns/2.0, last)
		m.scale = 1 / (turns[last] + m.lastShare*s.weights[last] - turns[first] - m.firstShare*s.weights[first])
	}
	return s
}

// smooth replaces each value by the mean around it.
func (s *smoother) smooth(x []complex128) {
	sum := complex128(0)
	for n, v := range x {
		w := s.weights[n]
		sum += complex(w*real(v), w*imag(v))
		s.sums[n+1] = sum
	}
	for n := range x {
		m := &s.means[n]
		last := min(int(m.last), len(x)-1)
		a, a1, b, b1 := s.sums[m.first], s.sums[m.first+1], s.sums[last], s.sums[last+1]
		x[n] = complex(
			(real(b)+m.lastShare*(real(b1)-real(b))-real(a)-m.firstShare*(real(a1)-real(a)))*m.scale,
			(imag(b)+m.lastShare*(imag(b1)-imag(b))-imag(a)-m.firstShare*(imag(a1)-imag(a)))*m.scale)
	}
}

// part is the sweep between two frames.
func (t sweptTrack) part(from, to int) sweptTrack {
	return sweptTrack{t.hz(float64(from)), t.growth, t.rate, to - from}
}

// before and after are the frames that are some turns earlier or later than a frame.
func (t sweptTrack) before(frame int, turns float64) int {
	return max(0, int(t.frame(max(t.turns(0), t.turns(float64(frame))-turns))))
}

func (t sweptTrack) after(frame int, turns float64) int {
	return min(t.frames, int(math.Ceil(t.frame(t.turns(float64(frame))+turns))))
}

// reachTurns is the distance over which a residue depends on other frames: half the turns of
// each smoothing.
const reachTurns = sweptRounds * sweptTimes * sweptTurns / 2.0

// withoutSweep is a recording of a sweep without the sweep and its harmonics. It works in
// parts, to save memory.
func withoutSweep(t sweptTrack, x []float64) []float64 {
	const part = 1 << 17 // frames
	rest := make([]float64, t.frames)
	for from := 0; from < t.frames; from += part {
		to := min(from+part, t.frames)
		first, last := t.before(from, reachTurns+1), t.after(to, reachTurns+1)
		copy(rest[from:to], partWithoutSweep(t.part(first, last), x[first:last])[from-first:])
	}
	return rest
}

func partWithoutSweep(t sweptTrack, x []float64) []float64 {
	rest := slices.Clone(x[:t.frames])
	s := newSmoother(t)
	turned := make([]complex128, t.frames)
	phase := make([]complex128, t.frames)
	for n := range phase {
		turns := t.turns(float64(n))
		phase[n] = cmplx.Rect(1, 2*math.Pi*(turns-math.Floor(turns)))
	}
	for range sweptRounds {
		model := make([]float64, t.frames)
		of := slices.Repeat([]complex128{1}, t.frames)
		for order := range followedOrders + 1 {
			below := t.frames // the order is below half the rate up to this frame
			if order > 0 {
				below = max(0, min(t.frames, int(t.frameOf(t.rate/2/float64(order)))))
			}
			turned = turned[:t.after(below, sweptTimes*sweptTurns/2.0+1)]
			for n := range turned {
				turned[n] = complex(rest[n]*real(of[n]), -rest[n]*imag(of[n]))
			}
			for range sweptTimes {
				s.smooth(turned)
			}
			share := 2.0
			if order == 0 {
				share = 1
			}
			for n, v := range turned[:below] {
				model[n] += share * (real(v)*real(of[n]) - imag(v)*imag(of[n]))
			}
			for n := range of {
				of[n] *= phase[n]
			}
		}
		for n := range rest {
			rest[n] -= model[n]
		}
	}
	return rest
}

// soundBreak is an instant at which a sound is broken.
type soundBreak struct {
	frame int
	over  float64 // its ratio to the sound around it
}

// instants finds the instants between two frames at which a sound exceeds what is around it.
// block and length are the lengths of a block and a piece, in frames, at a frame.
func instants(x []float64, from, to int, block, length func(frame int) int) (all []soundBreak) {
	var peaks []float64
	var places []int
	for at := from; at+block(at) <= to; {
		end := at + block(at)
		place := at
		for n := at; n < end; n++ {
			if math.Abs(x[n]) > math.Abs(x[place]) {
				place = n
			}
		}
		peaks, places = append(peaks, math.Abs(x[place])), append(places, place)
		at = end
	}
	// Where most blocks are exactly 0, a single step of integer samples is no click.
	var sounding []float64
	for _, peak := range peaks {
		if peak > 0 {
			sounding = append(sounding, peak)
		}
	}
	step := 0.0
	if len(sounding) > blocksAround {
		slices.Sort(sounding)
		step = sounding[len(sounding)/2]
	}
	for i, peak := range peaks {
		around := slices.Clone(peaks[max(0, i-blocksAround):min(len(peaks), i+blocksAround+1)])
		slices.Sort(around)
		usual := around[len(around)/2]
		if usual == 0 {
			usual = step
		}
		if !(peak > standsOut*usual) || len(around) <= blocksAround {
			continue
		}
		piece := length(places[i])
		var near []float64
		for k := -piecesAround; k <= piecesAround; k++ {
			begin := places[i] + k*piece - piece/2
			if begin >= from && begin+piece <= to {
				near = append(near, vector.Peak(x[begin:begin+piece]))
			}
		}
		slices.Sort(near)
		if peak > standsOut*near[len(near)/2] {
			all = append(all, soundBreak{places[i], min(peak/usual, peak/near[len(near)/2])})
		}
	}
	return all
}

// breaksOfSweep finds the breaks in a recorded sweep.
func breaksOfSweep(s stimulus.Swept, rate int, x []float64) (all []soundBreak) {
	t := sweptTrackOf(s, rate)
	if t.frames > len(x) {
		return nil
	}
	rest := withoutSweep(t, x)
	edge := rate * sweptEdgeMs / 1000
	from, to := t.after(0, reachTurns)+edge, t.before(t.frames, reachTurns)-edge
	period := func(frame int) float64 { return t.rate / t.hz(float64(frame)) }
	block := func(frame int) int { return int(max(t.rate*sweptBlockMs/1000, math.Ceil(period(frame)))) }
	piece := func(frame int) int { return int(max(t.rate*pieceMs/1000, math.Ceil(period(frame)))) }
	all = slices.DeleteFunc(breaksIn(rest, from, to, block, piece), func(b soundBreak) bool {
		return !isAbrupt(rest, x, b.frame, rate)
	})
	return joined(all, func(frame int) int { return int(max(t.rate/8, reachTurns*period(frame))) })
}

// isAbrupt reports whether a residue of a recorded sweep changes faster around a frame than
// the gain of a dynamic processor can.
func isAbrupt(rest, x []float64, frame, rate int) bool {
	step := max(1, int(math.Round(float64(rate)/48000))) // the same time from 48 kHz on
	piece := rate / 1000
	low, high, edge := math.Inf(1), math.Inf(-1), 0.0
	var edges []float64
	for k := -piecesAround; k <= piecesAround; k++ {
		from, to := max(step, frame+k*piece-piece/2), min(len(rest)-step, frame+k*piece+piece/2)
		if from >= to {
			continue
		}
		most := 0.0
		for n := from; n < to; n++ {
			most = max(most, math.Abs(rest[n-step]-2*rest[n]+rest[n+step]))
		}
		edges = append(edges, most)
		if k >= -1 && k <= 1 {
			edge = max(edge, most)
			low, high = min(low, slices.Min(rest[from:to])), max(high, slices.Max(rest[from:to]))
		}
	}
	slices.Sort(edges)
	usual := edges[len(edges)/2]
	around := vector.Peak(x[max(0, frame-rate/200):min(len(x), frame+rate/200)])
	return edge > edgeOut*usual && edge-usual > (high-low)*float64(step)*1000/gainMs/float64(rate) && edge > leastBreak*around
}

// breaksIn finds the instants of a sound and of its second difference, in order. A step is
// clearer in the second difference, which suppresses hum and other slow sound.
func breaksIn(x []float64, from, to int, block, piece func(frame int) int) []soundBreak {
	steps := make([]float64, len(x))
	for n := 1; n+1 < len(x); n++ {
		steps[n] = x[n-1] - 2*x[n] + x[n+1]
	}
	all := append(instants(x, from, to, block, piece), instants(steps, from, to, block, piece)...)
	slices.SortFunc(all, func(a, b soundBreak) int { return a.frame - b.frame })
	return all
}

// joined keeps only the largest of breaks that are close together.
func joined(all []soundBreak, apart func(frame int) int) (kept []soundBreak) {
	last := 0
	for _, b := range all {
		switch n := len(kept) - 1; {
		case n < 0 || b.frame-last > apart(b.frame):
			kept = append(kept, b)
		case b.over > kept[n].over:
			kept[n] = b
		}
		last = b.frame
	}
	return kept
}

// findSweepBreaks reports the breaks in a sweep.
func (a *Alignment) findSweepBreaks(s stimulus.Swept) error {
	return eachPlane(a.Sound, func(c int, x []float64) error {
		all := breaksOfSweep(s, a.Rate, x)
		if len(all) == 0 {
			return nil
		}
		t := sweptTrackOf(s, a.Rate)
		first := all[0].frame
		a.Findings = append(a.Findings, measure.Finding{Severity: measure.Fault, Frame: -1, Channel: a.channel(c),
			What: fmt.Sprintf("the sweep is broken at %s of the recording, %.3f s into it, where it passes %s%s: a dropout, a click or an edit, %.0f times the noise and the distortion around it",
				a.timeCode(first), float64(first)/float64(a.Rate), spectra.HzText(math.Round(t.hz(float64(first)))), furtherPlaces(all), mostOver(all)),
			Do: recordUnbroken + ": response and harmonics of this recording are not the device's",
		})
		return nil
	})
}

// channel is the channel of a finding: −1 if there is only one.
func (a *Alignment) channel(c int) int {
	if a.Sound.Channels() > 1 {
		return c
	}
	return -1
}

// timeCode is the time code of a frame of the signal in the recording.
func (a *Alignment) timeCode(frame int) string {
	return measure.TimeCode(int64(math.Round(a.placed.At(a.signal+frame)))+int64(a.begin), a.Rate)
}

// furtherPlaces states the number of breaks after the first.
func furtherPlaces(all []soundBreak) string {
	if len(all) < 2 {
		return ""
	}
	return " and at " + dsp.Plural(len(all)-1, "further place")
}

func mostOver(all []soundBreak) (most float64) {
	for _, b := range all {
		most = max(most, b.over)
	}
	return most
}
