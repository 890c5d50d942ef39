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
	x       []float64 // what is kept of the sound
	start   int64     // the frame of x[0]
	next    int       // where the next look begins in x
	loudest float64

	peaks [flatLevels]int // local maxima by level, half a dB each from the top down
	tops  []Event
	more  [flatLevels]int // tops beyond those that are kept, by level
}

const (
	flatReach  = 64  // frames on either side that are looked at
	flatLevels = 400 // steps of 0.5 dB below +100 dBFS
	// What is between the corners is an eighth as curved at most, and half as steep
	// as what leads to them.
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

func (f *flatTops) write(x []float64) {
	f.x = append(f.x, x...)
	n := max(f.next, flatReach)
	for ; n+flatReach < len(f.x); n++ {
		level := math.Abs(f.x[n])
		if level > f.loudest {
			f.loudest = level
		}
		if level < f.loudest*flatBelowLoudest || level < flatTopLeast/100 || level < math.Abs(f.x[n-1]) || level <= math.Abs(f.x[n+1]) {
			continue
		}
		f.peaks[levelStep(level)]++
		if from, to, ok := flatTop(f.x[n-flatReach : n+flatReach+1]); ok {
			e := Event{"flat top", f.start + int64(n-flatReach+from), int64(to - from), f.channel, dsp.AmplitudeToDB(level)}
			if k := len(f.tops) - 1; k >= 0 && e.Frame < f.tops[k].Frame+f.tops[k].Frames {
				continue
			}
			if len(f.tops) < mostFlatTops {
				f.tops = append(f.tops, e)
			} else {
				f.more[levelStep(level)]++
			}
		}
	}
	if keep := n - flatReach; keep > 0 {
		f.x = append(f.x[:0], f.x[keep:]...)
		f.start += int64(keep)
		n -= keep
	}
	f.next = n
}

// flatTop looks for a straight piece at the maximum in the middle of some samples, and
// returns where it is.
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
