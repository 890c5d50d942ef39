package dsp

// heldTarget is the largest target of a smoother, in dB of attenuation, within
// the hold: over the present frame and the frames of the hold before it. The
// gain therefore starts to rise when the hold has passed since the last moment
// at which the level held it down. A counter that starts when the target begins
// to fall would restart at each ripple of a detector, and at each rounding; a
// maximum changes only as much as the targets do.
type heldTarget struct {
	largest slidingRuns[float64]
	grain   int // frames
	now     int // frames since reset
}

// newHeldTarget builds it for a hold of 1 frame or more. While targets fall from
// frame to frame, one may be held longer by up to a quarter of a millisecond, or
// a 64th of the hold, which bounds the memory.
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

// next returns the largest target of the coming frames, at most the given
// number, and the number of frames for which it holds.
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
