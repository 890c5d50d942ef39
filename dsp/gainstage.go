package dsp

import "github.com/boothbench/boothbench/dsp/vector"

// gainStage is what the stages with a time-varying gain have in common: a
// detector measures levels, an envelope turns them into attenuation, and the
// sound, delayed by the look-ahead, is multiplied by the gain.
type gainStage struct {
	detector  *detector
	envelopes []envelope // one for each of the detector's outputs
	delays    []DelayLine
	lookahead int
	fixed     float64 // additional constant gain, such as make-up
	lowest    float64 // lowest gain since Reset, without fixed

	gain [cell]float64
}

// An envelope turns the detector's levels into linear gains, one for each frame.
// If it reports steady, the first gain applies to all frames and the others are
// not stored.
type envelope interface {
	run(gain []float64, levels []stretch) (steady bool)
	reset()
}

func newGainStage(d *detector, lookaheadMs, fixedDB float64, rate, channels int, fresh func() envelope) *gainStage {
	s := &gainStage{detector: d, lookahead: Frames(lookaheadMs, rate), fixed: DBToAmplitude(fixedDB), lowest: 1}
	for range d.levels {
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

// ProcessTraced is Process that also stores the linear gains, without the fixed
// gain.
func (s *gainStage) ProcessTraced(b, gain Block) { s.run(b, gain, nil) }

// run is ProcessTraced behind a filter, if there is one.
func (s *gainStage) run(b, gain Block, ahead *Cascade) {
	mustFit(b, len(s.delays))
	mustFitGain(gain, b)
	for from, frames := 0, b.Frames(); from < frames; from += cell {
		to := min(frames, from+cell)
		s.detector.run(b, from, to, ahead)
		for c := range s.delays {
			s.delays[c].Process(b[c][from:to])
		}
		for k, e := range s.envelopes {
			first, last := k, k+1 // the channels with this envelope's gain
			if s.detector.linked {
				last = len(b)
			}
			n := to - from
			if e.run(s.gain[:n], s.detector.levels[k]) {
				g := s.gain[0]
				s.lowest = min(s.lowest, g)
				for c := first; c < last; c++ {
					scale(b[c][from:to], g*s.fixed)
					if gain != nil {
						fill(gain[c][from:to], g)
					}
				}
				continue
			}
			s.lowest = vector.Lowest(s.gain[:n], s.lowest)
			for c := first; c < last; c++ {
				vector.MultiplyScaled(b[c][from:to], s.gain[:n], s.fixed)
				if gain != nil {
					copy(gain[c][from:to], s.gain[:n])
				}
			}
		}
	}
}

// ReductionDB is the largest gain reduction since Reset, in dB, without the fixed
// gain.
func (s *gainStage) ReductionDB() float64 { return reductionDB(s.lowest) }

// Reset brings the stage back to the state it was built in.
func (s *gainStage) Reset() {
	s.detector.reset()
	s.lowest = 1
	for k := range s.envelopes {
		s.envelopes[k].reset()
	}
	for c := range s.delays {
		s.delays[c].Reset()
	}
}

// scale is unrolled by four: the cost of a loop round is as large as its one
// multiplication.
func scale(x []float64, factor float64) {
	if factor == 1 {
		return
	}
	for ; len(x) >= 4; x = x[4:] {
		x[0] *= factor
		x[1] *= factor
		x[2] *= factor
		x[3] *= factor
	}
	for i := range x {
		x[i] *= factor
	}
}

// quiet reports whether no level is above a limit.
func quiet(levels []stretch, limit float64) bool {
	for _, l := range levels {
		if l.level > limit {
			return false
		}
	}
	return true
}

// loud reports whether no level is below a limit.
func loud(levels []stretch, limit float64) bool {
	for _, l := range levels {
		if l.level < limit {
			return false
		}
	}
	return true
}
