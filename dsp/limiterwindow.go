package dsp

import (
	"math"
	"math/bits"
)

// reductionWindow looks ahead: the reduction it applies to a frame is the largest reduction
// of that frame and the following width−1, smoothed by a window of width taps with the sum
// 1. Each of the width maxima under the window covers the frame itself, therefore the
// smoothed reduction is never smaller than the requested one (Hämäläinen, "Smoothing of the
// control signal without clipped output in digital peak limiters", DAFx-02).
//
// The window is three moving averages in series, of unequal lengths, which place
// its zeros: the lengths are those that leave least energy above 1 kHz at 3 ms
// (found by search; 15 dB less than a Hann window of the same length). Reductions
// are fixed-point integers here, rounded up, so the averages are exact sums: they
// do not drift, a constant reduction stays exactly constant, and no reduction
// gives a gain of exactly 1.
//
// A sum of moving averages of a staircase is a piecewise cubic, and is computed
// as one: every change of the maximum enters its 2³ kinks into a ring of coming
// frames, and four running sums integrate the ring. The integers may wrap
// around; the sum is still exact.
type reductionWindow struct {
	ahead    slidingRuns[int64]
	boxes    [3]int
	unit     float64 // reduction 1 in fixed point
	scale    float64 // factor from smoothed sum to reduction
	kinks    []int64 // ring
	now      int     // frames since reset
	maximum  int64
	settled  int // frames until the sums are constant
	integral [4]int64
}

func newReductionWindow(width int) reductionWindow {
	w := reductionWindow{ahead: newSlidingRuns[int64](width, width+1), boxes: reductionBoxes(width)}
	size := uint64(w.boxes[0]) * uint64(w.boxes[1]) * uint64(w.boxes[2])
	w.unit = float64(uint64(1) << (62 - bits.Len64(size)))
	w.scale = 1 / (w.unit * float64(size)) * (1 - 0x1p-52) // so that no gain is below 0
	ring := 1
	for ring < width+3 {
		ring *= 2
	}
	w.kinks = make([]int64, ring)
	return w
}

// reductionBoxes are the lengths of the moving averages that make a window of width
// taps.
func reductionBoxes(width int) [3]int {
	total := width + 2
	first := max(1, int(math.Round(float64(total)*0.397)))
	second := max(1, int(math.Round(float64(total)*0.336)))
	return [3]int{first, second, total - first - second}
}

func (w *reductionWindow) reset() {
	w.ahead.reset()
	clear(w.kinks)
	w.now, w.maximum, w.settled = 0, 0, 0
	w.integral = [4]int64{}
}

// smooth stores the gains for the runs. If they are all 1 it does not write to
// gain and returns true.
func (w *reductionWindow) smooth(runs []reductionRun, gain []float64) (unity bool) {
	if len(runs) == 1 && runs[0].reduction == 0 && w.maximum == 0 && w.settled == 0 {
		w.now += runs[0].frames
		return true
	}
	for _, r := range runs {
		end := w.now + r.frames
		w.ahead.push(int64(math.Ceil(r.reduction*w.unit)), end-1)
		for w.now < end {
			maximum, until := w.ahead.front(w.now)
			if maximum != w.maximum {
				w.kink(maximum - w.maximum)
				w.maximum = maximum
			}
			frames := min(end, until+1) - w.now
			w.integrate(gain[:frames])
			gain = gain[frames:]
		}
	}
	return false
}

// kink enters a change of the maximum at the present frame: the impulses of
// (1 − z^−a)(1 − z^−b)(1 − z^−c).
func (w *reductionWindow) kink(change int64) {
	mask := len(w.kinks) - 1
	a, b, c := w.boxes[0], w.boxes[1], w.boxes[2]
	for _, k := range [...]struct {
		at   int
		sign int64
	}{{0, 1}, {a, -1}, {b, -1}, {c, -1}, {a + b, 1}, {a + c, 1}, {b + c, 1}, {a + b + c, -1}} {
		w.kinks[(w.now+k.at)&mask] += k.sign * change
	}
	w.settled = a + b + c + 1
}

// integrate advances the sums by as many frames as gain has room for.
func (w *reductionWindow) integrate(gain []float64) {
	if n := w.settled; n < len(gain) { // after these all but the last sum are 0
		w.integrateMoving(gain[:n])
		gain = gain[n:]
		w.now += len(gain)
		fill(gain, 1-float64(float64(w.integral[3])*w.scale))
		return
	}
	w.integrateMoving(gain)
}

func (w *reductionWindow) integrateMoving(gain []float64) {
	w.settled -= len(gain)
	i0, i1, i2, i3 := w.integral[0], w.integral[1], w.integral[2], w.integral[3]
	scale := w.scale
	for len(gain) > 0 {
		kinks := w.kinks[w.now&(len(w.kinks)-1):]
		n := min(len(gain), len(kinks))
		part := gain[:n]
		for i, k := range kinks[:n] {
			i0 += k
			i1 += i0
			i2 += i1
			i3 += i2
			part[i] = 1 - float64(float64(i3)*scale)
		}
		clear(kinks[:n])
		w.now += n
		gain = gain[n:]
	}
	w.integral = [4]int64{i0, i1, i2, i3}
}
