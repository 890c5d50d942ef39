package dsp

import "math"

// A smoother lets an attenuation in dB follow its target: a one-pole filter
// whose coefficient depends on the direction ("smooth branching", Giannoulis,
// Massberg, Reiss, JAES 60(6) 2012, eq. 16), after the static curve. A time
// constant is the time to 1 − 1/e (63.2 %) of a change of the target, in dB;
// the sample at which the target changes counts as one whole period. So the
// time that is measured is the time that is set, whatever the step.
type smoother struct {
	up, down   float64 // coefficients towards more and towards less attenuation
	holdFrames int     // wait before the attenuation falls

	target float64 // the last one, in dB
	goal   float64 // the same in octaves of gain: 0 or less
	off    float64 // octaves of gain minus goal
	gain   float64 // linear
	hold   int     // frames still to wait
}

// newSmoother builds a smoother at rest: no attenuation.
func newSmoother(upMs, downMs, holdMs float64, rate int) smoother {
	return smoother{up: coefficient(upMs, rate), down: coefficient(downMs, rate), holdFrames: Frames(holdMs, rate), gain: 1}
}

// coefficient is the one-pole coefficient of a time constant; 0 ms is at once.
func coefficient(ms float64, rate int) float64 {
	if ms <= 0 {
		return 0
	}
	return exp(-1000 / (ms * float64(rate)))
}

// inaudible is a difference in octaves that counts as none, so that a gain
// arrives at its goal and a stage can rest: 1e-7 dB, which is a change of 1e-8,
// or −160 dB.
const inaudible = 1e-7 * log2PerDB

// follow moves towards a target that stays the same, a frame for each value of
// gain, and stores the linear gains. A target is at most 6000 dB, so that gains
// are normal numbers.
func (s *smoother) follow(gain []float64, target float64) {
	if len(gain) == 0 {
		return
	}
	if target != s.target {
		goal := float64(-target * log2PerDB)
		s.off += s.goal - goal
		s.target, s.goal = target, goal
	}
	k := s.up
	if s.off < 0 {
		n := min(s.hold, len(gain))
		s.hold -= n
		fill(gain[:n], s.gain)
		gain = gain[n:]
		k = s.down
	} else {
		s.hold = s.holdFrames
	}
	if s.off != 0 && len(gain) > 0 {
		gain = gain[s.move(gain, k):]
		if len(gain) > 0 {
			s.hold = s.holdFrames // it has arrived
		}
	}
	fill(gain, s.gain)
}

// move stores gains on the way to the target, until it is there or gain is
// full, and returns their number. The exponential is Exp2, written
// out here without the cases that cannot occur: a gain that moves is most of
// what a stage costs, and so several frames are worked on at a time.
func (s *smoother) move(gain []float64, k float64) int {
	const steps = len(exp2Table) // of 1/128 octave
	// Adding 1.5·2^52 steps rounds to whole steps, and leaves their number in
	// the sum's lowest bits.
	const toSteps = 1.5 * (1 << 52) / float64(steps)
	const perStep = (1 << 52) / uint64(steps) // a step in an exponent's place
	arrived := math.Float64bits(inaudible)
	off, goal := s.off, s.goal
	for i := range gain {
		off = float64(off * k)
		if math.Float64bits(off)&^signBit < arrived {
			s.off, s.gain = 0, Exp2(goal)
			return i
		}
		x := goal + off
		whole := x + toSteps
		n := int(math.Float64bits(whole))
		// The exponent is put in by adding to the table's.
		base := math.Float64frombits(math.Float64bits(exp2Table[n&(steps-1)]) + uint64(n&^(steps-1))*perStep)
		gain[i] = base + float64(base*exp2Minus1(x-(whole-toSteps)))
	}
	s.off, s.gain = off, gain[len(gain)-1]
	return len(gain)
}

// at tells whether the attenuation rests at a target.
func (s *smoother) at(target float64) bool { return s.off == 0 && s.target == target }

// rest is follow at the target that is already reached, for any number of
// frames: it stores the one gain and returns true.
func (s *smoother) rest(gain []float64) bool {
	s.hold = s.holdFrames
	gain[0] = s.gain
	return true
}

// settle puts the smoother at an attenuation, without history.
func (s *smoother) settle(attenuation float64) {
	goal := float64(-attenuation * log2PerDB)
	*s = smoother{up: s.up, down: s.down, holdFrames: s.holdFrames, target: attenuation, goal: goal, gain: Exp2(goal)}
}

func (s *smoother) reset() { s.settle(0) }
