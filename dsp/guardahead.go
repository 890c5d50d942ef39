package dsp

import (
	"math"

	"github.com/boothbench/boothbench/dsp/vector"
)

// guardAhead examines many steps of a guard with a single short bank at once. It shows of
// most of them that their standard targets are within the limit:
//
//   - From the largest samples and second differences of each step's frames, which it finds in
//     one pass over the coming frames.
//   - In noise, where these do not decide, from readings in whole numbers of the same frames,
//     without factors. Where a window lies within the target, the factors change such a reading
//     by at most changed times the largest |sample|. Windows that reach into the silence after
//     the target are bounded by readings of the frames that come in its place. What this does
//     not decide is read, with factors.
type guardAhead struct {
	bank    *guardBank
	target  []float64 // the standard one; nil: the guard has other banks
	changed float64
	// The same for windows that reach into the silence: of those with at most after frames of the
	// target nothing else is known.
	changedEnd, changedAfter float64
	after                    int

	reach  int // frames before a step that its windows, and their second differences, reach
	blocks int // of a stride that they reach

	first, end int             // the steps from frames first … end−1 are covered
	signal     [][]float64     // frames times gain by channel, starting reach frames before the first step
	extents    []vector.Extent // of successive strides of all channels, starting two frames later
	most       vector.Extent   // of all these frames

	read     bool               // the readings are made
	sound    coarseSound        // scratch memory
	readings [][]int32          // by channel, the reading of the window at signal[i:]
	scale    float64            // of a reading
	missed   float64            // readings exceed them by at most this
	cut      []float64          // the last frames of a target, followed by silence
	whole    vector.CoarseSound // these frames
}

// aheadSteps is the largest number of steps that are covered at once.
const aheadSteps = 24

// newGuardAhead prepares for the steps of a guard. With more than one bank it is never used.
func newGuardAhead(banks []guardBank, target []float64, reach, blocks, channels int) (a guardAhead) {
	if len(banks) != 1 {
		return a
	}
	b := &banks[0]
	window := 2 * b.half
	a.bank, a.target, a.reach, a.blocks = b, append([]float64(nil), target...), reach, blocks
	a.after = b.half + 1
	factor := func(k int) float64 {
		switch {
		case k < 0:
			return 1
		case k < len(target):
			return target[k]
		}
		return 0
	}
	for first := 1 - window; first < len(target); first++ { // first frame of the window
		kept := factor(first + b.half - 1)
		if first >= len(target)-a.after {
			kept = 0
		}
		changed := 0.0
		for _, row := range b.rows {
			sum := 0.0
			for j, tap := range row {
				sum += float64(math.Abs(tap) * math.Abs(factor(first+j)-kept))
			}
			changed = max(changed, sum)
		}
		most := &a.changedAfter
		switch {
		case first+window <= len(target):
			most = &a.changed
		case first < len(target)-a.after:
			most = &a.changedEnd
		}
		*most = max(*most, changed*boundMargin)
	}
	frames := reach + aheadSteps*len(target)/2 + len(target)/2
	for range channels {
		a.signal = append(a.signal, make([]float64, frames))
		a.readings = append(a.readings, make([]int32, frames+vector.CoarseWindows))
	}
	a.extents = make([]vector.Extent, blocks-1+aheadSteps)
	a.sound = newCoarseSound(frames + 2*vector.CoarseWindows)
	a.cut, a.whole = make([]float64, window+1), vector.NewCoarseSound(window+2*vector.CoarseWindows)
	return a
}

// forget discards the steps that are covered.
func (a *guardAhead) forget() { a.end = a.first }

// cover covers the step from a frame, and those after it up to the last known frame.
func (a *guardAhead) cover(planes []limiterPlane, gain []float64, next, known int) {
	if next >= a.first && next < a.end {
		return
	}
	stride := len(a.target) / 2
	steps := min(aheadSteps, (known-next)/stride-1)
	from, frames := next-a.reach, a.reach+(steps+1)*stride
	a.first, a.end, a.read = next, next+steps*stride, false
	extents := a.extents[:a.blocks-1+steps]
	clear(extents)
	for c := range planes {
		signal := a.signal[c][:frames]
		vector.Multiply(signal, gain[from:], planes[c].x[from:])
		vector.Extents(signal, stride, extents)
	}
	a.most = vector.Extent{}
	for _, e := range extents {
		a.most = a.most.Of(e)
	}
}

// bounded reports whether the samples and second differences alone show that the standard
// target of the step from a frame is within a limit.
func (a *guardAhead) bounded(next int, limit float64) bool {
	if a.bank.bounded(a.most, limit) {
		return true
	}
	var all vector.Extent
	at := (next - a.first) * 2 / len(a.target)
	for _, e := range a.extents[at : at+a.blocks] {
		all = all.Of(e)
	}
	return a.bank.bounded(all, limit)
}

// fits reports whether readings show that the standard target of the step from a frame is
// within a limit.
func (a *guardAhead) fits(next, margin int, limit float64) bool {
	if !a.read {
		a.readAll()
	}
	window := 2 * a.bank.half
	at := next - a.first
	known := at + a.reach + len(a.target) // frames of signal
	for c, signal := range a.signal {
		readings := a.readings[c][at+a.reach-window+1 : known-window+1]
		if float64(float64(vector.LargestOf(readings))*a.scale)+a.missed+float64(a.changed*a.most.Peak) > limit {
			return false
		}
		if a.endFits(c, at, limit) {
			continue
		}
		last := signal[known-window : known]
		if part := len(a.target) - window; part >= 0 {
			vector.Multiply(a.cut[:window], a.target[part:], last)
		} else {
			copy(a.cut, last[:-part])
			vector.Multiply(a.cut[-part:window], a.target, last[-part:])
		}
		a.whole.Set(0, a.cut, a.sound.scale)
		var found vector.CoarseReadings
		a.bank.coarse.bank.Readings(&a.whole, 0, &found)
		if float64(float64(found.Largest())*a.scale)+a.missed > limit {
			return false
		}
	}
	return true
}

// endFits reports whether the readings of a channel show that the windows that reach into the
// silence are within a limit. Of the last steps they do not, as the frames in its place are
// missing.
func (a *guardAhead) endFits(c, at int, limit float64) bool {
	half, stride := a.bank.half, len(a.target)/2
	if at+stride+2*half-a.after-1 > a.end-a.first {
		return false
	}
	end, beside := at/stride+a.blocks, (2*half+stride-1)/stride // in strides
	peak := 0.0
	for _, e := range a.extents[max(0, end-beside):min(end+beside, a.blocks-1+(a.end-a.first)/stride)] {
		peak = max(peak, e.Peak)
	}
	if float64(a.changedAfter*peak) > limit {
		return false
	}
	known := at + a.reach + 2*stride
	readings := a.readings[c][known-2*half : known-a.after]
	return float64(float64(vector.LargestOf(readings))*a.scale)+a.missed+float64(a.changedEnd*peak) <= limit
}

// readAll makes the readings of all windows.
func (a *guardAhead) readAll() {
	a.read = true
	half := a.bank.half
	windows := a.reach + len(a.target)/2 + a.end - a.first - 2*half + 1
	for c, signal := range a.signal {
		a.sound.begin(signal[:windows-1+2*half], a.most.Peak)
		a.bank.coarse.read(&a.sound, half-1, a.readings[c][:(windows+vector.CoarseWindows-1)/vector.CoarseWindows*vector.CoarseWindows])
	}
	a.scale, a.missed = a.sound.unit(), a.bank.coarse.missedBy(a.sound.peak, 0)
}
