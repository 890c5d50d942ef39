package dsp

import "math"

// A smoother lets an attenuation in dB follow its target. It is a one-pole
// filter whose coefficient depends on the direction ("smooth branching",
// Giannoulis, Massberg, Reiss, JAES 60(6) 2012, eq. 16), after the static
// curve. A time constant is the time to 1 − 1/e (63.2 %) of a change of the
// target, in dB. The sample at which the target changes counts as one whole
// period, which makes the measured time equal to the setting for a step of any
// size.
type smoother struct {
	up, down pole        // towards more and towards less attenuation
	held     *heldTarget // nil: without a hold

	target float64 // in dB: the last one; with a hold, the largest within the hold
	goal   float64 // the same in octaves of gain: 0 or less
	off    float64 // octaves of gain minus goal
	gain   float64 // linear
}

// newSmoother builds a smoother at rest: no attenuation.
func newSmoother(upMs, downMs, holdMs float64, rate int) smoother {
	s := smoother{up: newPole(upMs, rate), down: newPole(downMs, rate), gain: 1}
	if frames := Frames(holdMs, rate); frames > 0 {
		s.held = newHeldTarget(frames, rate)
	}
	return s
}

// pole is the factor by which an offset decays in one frame, and a lower bound
// of its decay in one cell.
type pole struct{ frame, cell float64 }

// newPole makes the pole of a time constant in ms. A cell counts one frame
// longer, so that rounding cannot matter.
func newPole(ms float64, rate int) pole {
	return pole{coefficient(ms, rate), coefficient(ms/(cell+1), rate)}
}

// coefficient is the one-pole coefficient of a time constant; 0 ms: the target
// is reached at once.
func coefficient(ms float64, rate int) float64 {
	if ms <= 0 {
		return 0
	}
	return exp(-1000 / (ms * float64(rate)))
}

// inaudible is a difference in octaves of gain that counts as none, so that a
// gain reaches its goal and a stage can rest: 1e-7 dB, a relative change of
// 1e-8 (−160 dB).
const inaudible = 1e-7 * log2PerDB

// follow moves towards a constant target, or towards the held one, one frame
// for each value of gain (at most a cell), and stores the linear gains. A
// target is at most 1000 dB, therefore gains are normal numbers.
func (s *smoother) follow(gain []float64, target float64) {
	if s.held == nil {
		s.towards(gain, target)
		return
	}
	if len(gain) > 0 {
		s.held.push(target, len(gain))
	}
	for len(gain) > 0 {
		target, frames := s.held.next(len(gain))
		s.towards(gain[:frames], target)
		gain = gain[frames:]
	}
}

func (s *smoother) towards(gain []float64, target float64) {
	if len(gain) == 0 {
		return
	}
	if target != s.target {
		goal := float64(-target * log2PerDB)
		s.off += s.goal - goal
		s.target, s.goal = target, goal
	}
	if s.off != 0 {
		k := s.up
		if s.off < 0 {
			k = s.down
		}
		gain = gain[s.move(gain, k):]
	}
	fill(gain, s.gain)
}

// move stores gains until the goal is reached or gain is full, and returns how
// many it stored.
func (s *smoother) move(gain []float64, k pole) int {
	// Arrival is searched for only in cells in which it can happen.
	if far := s.off * k.cell; far > inaudible || far < -inaudible {
		s.off = approach(gain, s.goal, s.off, k.frame)
		s.gain = gain[len(gain)-1]
		return len(gain)
	}
	for i := range gain {
		if off := float64(s.off * k.frame); math.Abs(off) < inaudible {
			s.off, s.gain = 0, Exp2(s.goal)
			return i
		}
		s.off = approach(gain[i:i+1], s.goal, s.off, k.frame)
		s.gain = gain[i]
	}
	return len(gain)
}

// at reports whether the attenuation rests at a target.
func (s *smoother) at(target float64) bool { return s.off == 0 && s.target == target }

// rest is follow at a target that is already reached, for any number of frames:
// it stores the one gain and returns true.
func (s *smoother) rest(gain []float64) bool {
	if s.held != nil {
		s.held.push(s.target, len(gain))
		s.held.next(len(gain))
	}
	gain[0] = s.gain
	return true
}

// settle sets the smoother to an attenuation in dB, without history.
func (s *smoother) settle(attenuation float64) {
	goal := float64(-attenuation * log2PerDB)
	if s.held != nil {
		s.held.reset()
	}
	*s = smoother{up: s.up, down: s.down, held: s.held, target: attenuation, goal: goal, gain: Exp2(goal)}
}

func (s *smoother) reset() { s.settle(0) }
