package instrument

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// A sweep is compared with itself: over a few periods a device answers it with a sine and
// its harmonics, whose levels and phases change slowly. What is left of the recording
// without them is noise, hum, reverberation and high orders, which last; a dropout, a click
// or a lost piece stands out of it for an instant.

const (
	// Each harmonic is smoothed three times over sweptTurns periods: zeros at the other
	// harmonics, and 30 % of the spectrum taken out at the most.
	sweptTurns = 2
	sweptTimes = 3
	// followedOrders are the harmonics that are taken out, the fundamental first.
	followedOrders = 5
	// What is left is taken for the recording once more: the error of a level that
	// changes within a window is squared.
	sweptRounds = 2

	// Blocks hold a period of the sweep, and of mains: what repeats with either is in
	// every block.
	sweptBlockMs = 20
	// A block stands out if its largest sample is more than standsOut times the median of
	// those of blocksAround blocks on either side. Of 120 random devices it was 3.0 times at
	// the most. (a test)
	standsOut    = 3.5
	blocksAround = 8
	// It is an instant if it stands out as much from pieces of pieceMs, or of a period of
	// the sweep, of which piecesAround lie on either side: what a resonance or a clipped
	// top leaves lasts longer.
	pieceMs      = 1
	piecesAround = 8
	// At its ends a sweep is switched on and off, and a device delays that.
	sweptEdgeMs = 30
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

// turns are those of the sweep up to a frame.
func (t sweptTrack) turns(frame float64) float64 { return t.growth * t.hz(frame) }

// frameOf is where the sweep has a frequency.
func (t sweptTrack) frameOf(hz float64) float64 {
	return t.rate * t.growth * math.Log(hz/t.fromHz)
}

// frame is where the sweep has so many turns.
func (t sweptTrack) frame(turns float64) float64 {
	return t.rate * t.growth * math.Log(turns/t.growth/t.fromHz)
}

// smoother is a mean over some turns of a sweep, in which each turn counts alike.
type smoother struct {
	weights []float64 // turns in a frame
	means   []meanOfTurns
	sums    []complex128
}

// meanOfTurns is where a mean begins and ends, by the frame and the share of it.
type meanOfTurns struct {
	first, last           int32
	firstShare, lastShare float64
	scale                 float64 // 1 over its turns
}

func newSmoother(t sweptTrack) *smoother {
	s := &smoother{weights: make([]float64, t.frames), means: make([]meanOfTurns, t.frames), sums: make([]complex128, t.frames+1)}
	turns := make([]float64, t.frames+1) // sums of the weights
	for n := range t.frames {
		s.weights[n] = t.hz(float64(n)) / t.rate
		turns[n+1] = turns[n] + s.weights[n]
	}
	// Both ends of the mean run through the frames with its middle.
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

// smooth takes the mean at each frame.
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

// part is the sweep from one frame to another.
func (t sweptTrack) part(from, to int) sweptTrack {
	return sweptTrack{t.hz(float64(from)), t.growth, t.rate, to - from}
}

// before and after are the frames that lie some turns ahead of a frame and behind it.
func (t sweptTrack) before(frame int, turns float64) int {
	return max(0, int(t.frame(max(t.turns(0), t.turns(float64(frame))-turns))))
}

func (t sweptTrack) after(frame int, turns float64) int {
	return min(t.frames, int(math.Ceil(t.frame(t.turns(float64(frame))+turns))))
}

// reachTurns is how far what is left at a frame depends on others: half of each
// smoothing's turns.
const reachTurns = sweptRounds * sweptTimes * sweptTurns / 2.0

// withoutSweep is what a recording of a sweep has besides the sweep and its harmonics. It
// goes through it in parts, for the sake of memory.
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
			below := t.frames // up to where the order lies under half the rate
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

// soundBreak is an instant that stands out.
type soundBreak struct {
	frame int
	over  float64 // times what is around it
}

// instants finds what stands out of a sound for an instant, from one frame to another.
// Blocks and pieces have so many frames at a frame.
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
	// Where most blocks are exactly 0 a step of the integers is no click.
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
				near = append(near, largestSample(x, begin, begin+piece))
			}
		}
		slices.Sort(near)
		if peak > standsOut*near[len(near)/2] {
			all = append(all, soundBreak{places[i], min(peak/usual, peak/near[len(near)/2])})
		}
	}
	return all
}

// breaksOfSweep finds where a recording of a sweep breaks.
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
	all = instants(rest, from, to, block, piece)
	// A step stands out further where slow residues are taken off.
	steps := make([]float64, len(rest))
	for n := 1; n+1 < len(rest); n++ {
		steps[n] = rest[n-1] - 2*rest[n] + rest[n+1]
	}
	all = append(all, instants(steps, from, to, block, piece)...)
	slices.SortFunc(all, func(a, b soundBreak) int { return a.frame - b.frame })
	return joined(all, func(frame int) int { return int(max(t.rate/8, reachTurns*period(frame))) })
}

// joined keeps the largest of breaks that lie next to each other.
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

// findSweepBreaks reports what breaks a sweep.
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
			Do: "record again, with larger buffers or on another recorder: response and harmonics of this recording are not the device's",
		})
		return nil
	})
}

// channel is a finding's channel: −1 for the only one.
func (a *Alignment) channel(c int) int {
	if a.Sound.Channels() > 1 {
		return c
	}
	return -1
}

// timeCode is where a frame of the signal lies in the recording.
func (a *Alignment) timeCode(frame int) string {
	return measure.TimeCode(int64(math.Round(a.placed.At(a.signal+frame)))+int64(a.begin), a.Rate)
}

// furtherPlaces counts the breaks without the first one.
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

// largestSample is the largest |sample| from one frame to another.
func largestSample(x []float64, from, to int) (most float64) {
	for _, v := range x[max(0, from):min(len(x), to)] {
		most = max(most, math.Abs(v))
	}
	return most
}
