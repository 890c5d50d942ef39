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

// inaudible is the attenuation in dB that counts as none, so that the gain
// becomes exactly 1 and stages can rest: 1e-7 dB is a change of 1e-8, −160 dB.
const inaudible = 1e-7

// next moves one frame towards the target and returns the attenuation in dB.
func (s *smoother) next(target float64) float64 {
	switch {
	case target >= s.value:
		s.hold = s.holdFrames
		s.value = float64((1-s.up)*target) + float64(s.up*s.value)
	case s.hold > 0:
		s.hold--
	default:
		s.value = float64((1-s.down)*target) + float64(s.down*s.value)
		if s.value < inaudible {
			s.value = 0
		}
	}
	return s.value
}

func (s *smoother) reset() { s.value, s.hold = 0, 0 }
