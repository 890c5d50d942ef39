package dsp

// A smoother lets an attenuation in dB follow its target: a one-pole filter
// whose coefficient depends on the direction ("smooth branching", Giannoulis,
// Massberg, Reiss, JAES 60(6) 2012, eq. 16), after the static curve. A time
// constant is the time to 1 − 1/e (63.2 %) of a change of the target, in dB;
// the sample at which the target changes counts as one whole period. So the
// time that is measured is the time that is set, whatever the step.
type smoother struct {
	up, down   float64 // coefficients towards more and towards less attenuation
	holdFrames int     // wait before the attenuation falls
	value      float64
	hold       int
}

// coefficient is the one-pole coefficient of a time constant; 0 ms is at once.
func coefficient(ms float64, rate int) float64 {
	if ms <= 0 {
		return 0
	}
	return exp(-1000 / (ms * float64(rate)))
}

// inaudible is a difference in dB that counts as none, so that an attenuation
// arrives at its target and a stage can rest: 1e-7 dB is a change of 1e-8, or
// −160 dB.
const inaudible = 1e-7

// follow moves towards a target that stays the same, a frame for each value of
// attenuation, and stores the attenuation in dB.
func (s *smoother) follow(attenuation []float64, target float64) {
	v := s.value
	if target < v {
		n := min(s.hold, len(attenuation))
		s.hold -= n
		for i := range attenuation[:n] {
			attenuation[i] = v
		}
		attenuation = attenuation[n:]
		k, add := s.down, (1-s.down)*target
		for i := range attenuation {
			v = add + float64(k*v)
			if v-target < inaudible {
				v = target
			}
			attenuation[i] = v
			if v == target {
				s.value = v
				s.stay(attenuation[i+1:])
				return
			}
		}
		s.value = v
		return
	}
	if len(attenuation) == 0 {
		return
	}
	s.hold = s.holdFrames
	k, add := s.up, (1-s.up)*target
	for i := range attenuation {
		v = add + float64(k*v)
		if target-v < inaudible {
			v = target
		}
		attenuation[i] = v
		if v == target {
			s.value = v
			s.stay(attenuation[i+1:])
			return
		}
	}
	s.value = v
}

// stay is follow at the target.
func (s *smoother) stay(attenuation []float64) {
	if len(attenuation) == 0 {
		return
	}
	s.hold = s.holdFrames
	for i := range attenuation {
		attenuation[i] = s.value
	}
}

// next is follow for one frame; it returns the attenuation.
func (s *smoother) next(target float64) float64 {
	var one [1]float64
	s.follow(one[:], target)
	return one[0]
}

func (s *smoother) reset() { s.value, s.hold = 0, 0 }
