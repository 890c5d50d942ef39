package dsp

import "math"

// gainStage is what the stages have in common that work by a gain over time:
// they listen, an envelope turns levels into attenuation, and the sound, late
// by the look-ahead, is multiplied.
type gainStage struct {
	detector  *detector
	envelopes []envelope // one for each of the detector's outputs
	delays    []DelayLine
	lookahead int
	fixed     float64 // gain on top, such as make-up

	attenuation [cell]float64
	gain        [cell]float64
}

// An envelope turns the detector's levels into attenuation in dB, frame by
// frame. If it tells that it is steady, the first value stands for all of them
// and the others are not stored.
type envelope interface {
	run(attenuation, level []float64) (steady bool)
	reset()
}

func newGainStage(d *detector, lookaheadMs, fixedDB float64, rate, channels int, fresh func() envelope) *gainStage {
	s := &gainStage{detector: d, lookahead: Frames(lookaheadMs, rate), fixed: DBToAmplitude(fixedDB)}
	for range d.outputs() {
		s.envelopes = append(s.envelopes, fresh())
	}
	for range channels {
		s.delays = append(s.delays, NewDelayLine(s.lookahead))
	}
	return s
}

// Latency is the look-ahead in frames.
func (s *gainStage) Latency() int { return s.lookahead }

// Process works on the block in place.
func (s *gainStage) Process(b Block) { s.ProcessTraced(b, nil) }

// ProcessTraced is Process that also stores the gains, without the fixed one.
func (s *gainStage) ProcessTraced(b, gain Block) {
	for from, frames := 0, b.Frames(); from < frames; from += cell {
		to := min(frames, from+cell)
		s.detector.run(b, from, to)
		for c := range s.delays {
			s.delays[c].Process(b[c][from:to])
		}
		for k, e := range s.envelopes {
			first, last := k, k+1 // the channels that this envelope moves
			if s.detector.linked {
				last = len(b)
			}
			n := to - from
			if e.run(s.attenuation[:n], s.detector.level[k][:n]) {
				g := 1.0
				if a := s.attenuation[0]; a != 0 {
					g = DBToAmplitude(-a)
				}
				for c := first; c < last; c++ {
					scale(b[c][from:to], g*s.fixed)
					if gain != nil {
						fill(gain[c][from:to], g)
					}
				}
				continue
			}
			gains(s.gain[:n], s.attenuation[:n])
			for c := first; c < last; c++ {
				multiply(b[c][from:to], s.gain[:n], s.fixed)
				if gain != nil {
					copy(gain[c][from:to], s.gain[:n])
				}
			}
		}
	}
}

// Reset brings the stage back to the state it was built in.
func (s *gainStage) Reset() {
	s.detector.reset()
	for k := range s.envelopes {
		s.envelopes[k].reset()
	}
	for c := range s.delays {
		s.delays[c].Reset()
	}
}

// gains turns attenuation in dB, 0 to 6000, into linear gain.
// It is DBToAmplitude without the cases that cannot occur, written out, since
// this is what a moving gain costs most. Attenuation that stays the same costs
// nothing.
func gains(gain, attenuation []float64) {
	attenuation = attenuation[:len(gain)]
	last, g := 0.0, 1.0
	for i, a := range attenuation {
		if a != last {
			last = a
			x := -a * log2PerDB
			n := int(x*128 - 0.5)
			base := exp2Table[n&127]
			y := base + float64(base*exp2Minus1(x-float64(float64(n)*(1.0/128))))
			g = y * math.Float64frombits(uint64(n>>7+1023)<<52)
		}
		gain[i] = g
	}
}

func scale(x []float64, factor float64) {
	if factor == 1 {
		return
	}
	for i := range x {
		x[i] *= factor
	}
}

func multiply(x, gain []float64, factor float64) {
	gain = gain[:len(x)]
	for i, g := range gain {
		x[i] *= g * factor
	}
}
