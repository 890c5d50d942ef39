package dsp

// heldTarget is the largest target of a smoother, in dB of attenuation, within
// the hold: of the present frame and as many before it as the hold is long. So
// the gain starts to rise when the hold has passed since the last moment at
// which the level held it down. A counter that starts where the target begins to
// fall would start at each ripple of a detector, and at each rounding; a largest
// value changes only as much as the targets do.
type heldTarget struct {
	largest slidingRuns[float64]
	grain   int // frames
	now     int // frames gone by
}

// newHeldTarget builds it for a hold of 1 frame or more. While targets fall from
// frame to frame, one may be held up to a quarter of a millisecond longer, so
// that their number stays within bounds; and a 64th of the hold.
func newHeldTarget(holdFrames, rate int) *heldTarget {
	h := &heldTarget{grain: max(1, min(rate/4000, holdFrames/64))}
	h.largest = newSlidingRuns[float64](holdFrames+1, 2*(holdFrames/h.grain)+4)
	return h
}

// push enters the target of the next frames.
func (h *heldTarget) push(target float64, frames int) {
	last := h.now + frames - 1
	r := &h.largest
	r.dropTo(target)
	if r.size > 1 {
		if joined := r.back(1).last + h.grain - 1; joined >= h.now {
			r.back(0).last = min(joined, last)
			if joined >= last {
				return
			}
		}
	}
	r.append(target, last)
}

// next is the largest target of the coming frames, at most so many, and the
// number of frames for which it stays.
func (h *heldTarget) next(frames int) (target float64, stays int) {
	target, until := h.largest.front(h.now)
	stays = min(frames, until+1-h.now)
	h.now += stays
	return target, stays
}

func (h *heldTarget) reset() {
	h.largest.reset()
	h.now = 0
}
