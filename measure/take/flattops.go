package take

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// flatTops finds clipped peaks by their shape, which a change of level, dither, or a
// high-pass leaves: at a local maximum, a straight piece between two corners. A
// high-pass tilts the piece, and dither roughens it; the corners remain. In the second
// difference of the samples that is two strong negative values with small ones
// between, where a peak that was not clipped has its strongest values in between.
// (own method)
type flatTops struct {
	channel int
	cells   []loudCell // loud places that have not been searched yet
	loudest float64

	peaks [flatLevels]int // local maxima by level, half a dB each from the top down
	tops  []Event
	more  [flatLevels]int // tops beyond those that are kept, by level
}

const (
	flatReach  = 64  // frames on either side that are looked at
	flatLevels = 400 // steps of 0.5 dB below +100 dBFS
	// Between the corners the curve is at most an eighth as curved as at them, and half
	// as steep as outside.
	flatCurvature, flatSlope = 8, 2
	leastFlat                = 4 // values of the second difference: 6 samples
	// Clipping takes the loudest peaks: of those within 6 dB of the largest, one in a
	// hundred and five at least have to be flat.
	flatBelowLoudest = 0.5
	leastFlatShare   = 0.01
	leastFlatTops    = 5
	mostFlatTops     = 1 << 14
	// Clipping leaves nothing above it: of the peaks as loud as the tops of middle level
	// and louder, one in twenty is flat at least. In clipped recordings it was 0.15 to 0.56
	// of them, in made voices that nothing clipped 0.03 at most. (own choice)
	leastFlatAbove = 1.0 / 20
)

func levelStep(amplitude float64) int {
	return min(flatLevels-1, max(0, int(2*(100-dsp.AmplitudeToDB(amplitude)))))
}

// loudCell is a stretch with a sample that is loud enough for the search.
type loudCell struct{ from, to int64 }

// expect receives the largest magnitude of some frames. If it is loud enough, look
// searches them.
func (f *flatTops) expect(frame int64, frames int, peak float64) {
	if !(peak >= max(f.loudest*flatBelowLoudest, flatTopLeast/100)) {
		return
	}
	if k := len(f.cells) - 1; k >= 0 && f.cells[k].to == frame {
		f.cells[k].to += int64(frames)
		return
	}
	f.cells = append(f.cells, loudCell{frame, frame + int64(frames)})
}

// look searches the loud cells as far as the sound around them is available. x begins at
// frame first of the take.
func (f *flatTops) look(x []float64, first int64) {
	done := 0
	for i := range f.cells {
		cell := &f.cells[i]
		from, to := int(max(cell.from, flatReach)-first), int(cell.to-first)
		for n := from; n < min(to, len(x)-flatReach); n++ {
			f.sample(x, n, first)
		}
		if to > len(x)-flatReach {
			cell.from = max(cell.from, first+int64(len(x)-flatReach))
			break
		}
		done++
	}
	f.cells = append(f.cells[:0], f.cells[done:]...)
}

// sample tests whether a sample is a local maximum, and whether that is flat.
func (f *flatTops) sample(x []float64, n int, first int64) {
	level := math.Abs(x[n])
	if level > f.loudest {
		f.loudest = level
	}
	if level < f.loudest*flatBelowLoudest || level < flatTopLeast/100 || level < math.Abs(x[n-1]) || level <= math.Abs(x[n+1]) {
		return
	}
	f.peaks[levelStep(level)]++
	from, to, ok := flatTop(x[n-flatReach : n+flatReach+1])
	if !ok {
		return
	}
	e := Event{"flat top", first + int64(n-flatReach+from), int64(to - from), f.channel, dsp.AmplitudeToDB(level)}
	if k := len(f.tops) - 1; k >= 0 && e.Frame < f.tops[k].Frame+f.tops[k].Frames {
		return
	}
	if len(f.tops) < mostFlatTops {
		f.tops = append(f.tops, e)
	} else {
		f.more[levelStep(level)]++
	}
}

// flatTop searches for a straight piece at the maximum, the middle of x, and returns its
// place.
func flatTop(x []float64) (from, to int, ok bool) {
	middle := len(x) / 2
	sign := math.Copysign(1, x[middle])
	curvature := func(k int) float64 { return -sign * (x[k+1] - 2*x[k] + x[k-1]) } // more than 0 at a peak
	// The stronger of the corners next to the maximum sets the scale.
	strongest := 0.0
	for k := middle - 2; k <= middle+2; k++ {
		strongest = max(strongest, curvature(k)+max(curvature(k-1), curvature(k+1)))
	}
	straight := func(k int) bool { return math.Abs(curvature(k))*flatCurvature <= strongest }
	for _, seed := range []int{middle, middle + 1, middle - 1, middle + 2, middle - 2} {
		if !straight(seed) {
			continue
		}
		i, j := seed, seed
		for i > 3 && straight(i-1) {
			i--
		}
		for j < len(x)-4 && straight(j+1) {
			j++
		}
		if j-i+1 < leastFlat || i <= 3 || j >= len(x)-4 {
			continue
		}
		left, right := curvature(i-1)+max(0, curvature(i-2)), curvature(j+1)+max(0, curvature(j+2))
		if 2*left < strongest || 2*right < strongest {
			continue
		}
		slope := math.Abs(x[j]-x[i]) / float64(j-i)
		rise, fall := sign*(x[i-2]-x[i-3]), sign*(x[j+2]-x[j+3])
		if min(rise, fall) > flatSlope*slope {
			return i - 1, j + 2, true
		}
	}
	return 0, 0, false
}

// finish adds the flat tops to the events, unless equal samples showed them already.
func (f *flatTops) finish(events *eventList, known func(frame, frames int64) bool) {
	least := levelStep(f.loudest * flatBelowLoudest)
	tops := f.more
	for _, e := range f.tops {
		tops[levelStep(dsp.DBToAmplitude(e.Level))]++
	}
	peaks, count := sumOf(f.peaks[:least+1]), sumOf(tops[:least+1])
	if count < leastFlatTops || float64(count) < leastFlatShare*float64(peaks) {
		return
	}
	above, flat := 0, 0
	for k := 0; 2*flat < count; k++ {
		above, flat = above+f.peaks[k], flat+tops[k]
	}
	if float64(flat) < leastFlatAbove*float64(above) {
		return
	}
	for _, e := range f.tops {
		if levelStep(dsp.DBToAmplitude(e.Level)) <= least && !known(e.Frame, e.Frames) {
			events.add(e)
		}
	}
}

func sumOf(counts []int) (sum int) {
	for _, n := range counts {
		sum += n
	}
	return sum
}
