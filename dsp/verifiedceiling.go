package dsp

import (
	"sync"

	"github.com/boothbench/boothbench/dsp/vector"
)

// VerifiedCeilingSettings describes a verified ceiling.
type VerifiedCeilingSettings struct {
	CeilingDBTP  float64
	LinkChannels bool // one gain for all channels
}

// VerifiedCeiling keeps the finest readings of a limited signal under a ceiling.
// After it no sample, no reading of Rec. ITU-R BS.1770-5 Annex 2 and no reading
// of a windowed sinc of 64 phases and 256 taps exceeds the ceiling, for every
// finite input (the proof is at ceilingGuard). Between the readings of the sinc
// a band-limited peak rises by at most 0.0026 dB more, 1/cos(π/128) (Ehlich &
// Zeller 1964).
//
// Place it after the limiter, last in a chain for files: its latency is 511
// frames, and interpolation is costly where a signal reaches the ceiling. It
// lowers a limited voice by thousandths of a dB, in few places. Sound below the
// ceiling passes bit for bit.
//
// After OnGrid the same holds for samples that were dithered and rounded for an
// output format: the output consists of samples of that format.
type VerifiedCeiling struct {
	kept   int
	planes []limiterPlane
	end    int
	paths  []verifiedPath
	lowest float64 // lowest gain since Reset
}

type verifiedPath struct {
	from, to int // channels from … to−1
	guard    ceilingGuard
	gain     []float64
	lowered  int // gains from here on are 1
}

// verifiedStride is the length of the sinc: a raised-cosine fade of that length
// raises readings by less than guardMarginDB.
const verifiedStride = 256

// verifiedGuard is the guard of a VerifiedCeiling without its limit and its memory.
// All instances share its interpolators.
var verifiedGuard = sync.OnceValue(func() ceilingGuard {
	fade := make([]float64, verifiedStride)
	for k := range fade {
		_, cos := SincosPi((float64(k) + 0.5) / verifiedStride)
		fade[k] = 0.5 + float64(0.5*cos)
	}
	samples := mustPolyphase([]float64{0, 1}, [][]float64{{1, 0}, {0, 1}})
	return newCeilingGuard(1, fade, 1, sharedSinc(64, verifiedStride, 10), annex2Bank(), samples)
})

// NewVerifiedCeiling builds the stage for a rate in Hz and a number of
// channels; errors are *SettingError.
func NewVerifiedCeiling(s VerifiedCeilingSettings, rate, channels int) (*VerifiedCeiling, error) {
	err := first(checkFormat(rate, channels), checkRange("ceiling_dbtp", s.CeilingDBTP, -60, 0, "dBTP"))
	if err != nil {
		return nil, err
	}
	share := 1
	if s.LinkChannels {
		share = channels
	}
	v := &VerifiedCeiling{planes: make([]limiterPlane, channels)}
	limit := DBToAmplitude(s.CeilingDBTP - guardMarginDB)
	guard := verifiedGuard().twin(share)
	guard.limit, guard.aim = limit, limit
	guard.alone, guard.keeping = true, longKeeping
	v.kept = (guard.reach()+guard.latency())/peakCell*peakCell + 2*peakCell
	frames := v.kept + 16*limiterSegment // so that kept frames are moved seldom
	for c := 0; c < channels; c += share {
		v.paths = append(v.paths, verifiedPath{from: c, to: c + share, guard: guard.twin(share), gain: make([]float64, frames)})
	}
	for c := range v.planes {
		v.planes[c] = newLimiterPlane(frames)
	}
	v.Reset()
	return v, nil
}

// Latency is 511 frames at every rate: twice the length of the sinc, less one.
// After that time all readings are known that depend on a frame or on the fade
// that could follow it.
func (v *VerifiedCeiling) Latency() int { return VerificationFrames }

// VerificationFrames is the latency of a VerifiedCeiling.
const VerificationFrames = 2*verifiedStride - 1

// ReductionDB is the largest gain reduction since Reset, in dB.
func (v *VerifiedCeiling) ReductionDB() float64 { return reductionDB(v.lowest) }

// OnGrid announces, before the first sample, that the input consists of whole
// multiples of step, a power of two: 2^−15 for 16 bits. Samples that the stage
// lowers are rounded to such multiples again, and the rounded samples keep the
// ceiling. 0: any samples.
func (v *VerifiedCeiling) OnGrid(step float64) {
	for i := range v.paths {
		v.paths[i].guard.onGrid(step)
	}
}

// Reset brings the stage back to the state it was built in.
func (v *VerifiedCeiling) Reset() {
	v.end, v.lowest = v.kept, 1
	for c := range v.planes {
		v.planes[c].reset(v.end)
	}
	for i := range v.paths {
		fill(v.paths[i].gain, 1)
		v.paths[i].lowered = 0
		v.paths[i].guard.reset(v.end - v.Latency())
	}
}

// Process works on the block in place.
func (v *VerifiedCeiling) Process(b Block) { v.ProcessTraced(b, nil) }

// ProcessTraced is Process that also stores the linear gains.
func (v *VerifiedCeiling) ProcessTraced(b, gain Block) {
	mustFit(b, len(v.planes))
	mustFitGain(gain, b)
	for from, frames := 0, b.Frames(); from < frames; from += limiterSegment {
		to := min(frames, from+limiterSegment)
		if v.end+to-from > len(v.paths[0].gain) {
			v.forget()
		}
		for c := range v.planes {
			v.planes[c].take(b[c][from:to], 1)
		}
		emitted := v.end - v.Latency()
		v.end += to - from
		for i := range v.paths {
			p := &v.paths[i]
			if p.guard.run(v.planes[p.from:p.to], p.gain, v.end) {
				p.lowered = p.guard.next
			}
			if emitted < p.lowered {
				v.lowest = vector.Lowest(p.gain[emitted:emitted+to-from], v.lowest)
			}
			for c := p.from; c < p.to; c++ {
				out, x := b[c][from:to], v.planes[c].x[emitted:]
				if emitted >= p.lowered {
					copy(out, x)
				} else {
					vector.Multiply(out, p.gain[emitted:], x)
					p.guard.onto(out)
				}
				if gain != nil {
					copy(gain[c][from:to], p.gain[emitted:])
				}
			}
		}
	}
}

// forget moves all stored frames back by whole cells.
func (v *VerifiedCeiling) forget() {
	gone := (v.end - v.kept) / peakCell * peakCell
	for c := range v.planes {
		v.planes[c].forget(gone / peakCell)
	}
	for i := range v.paths {
		p := &v.paths[i]
		n := 0
		if p.lowered > gone {
			n = copy(p.gain, p.gain[gone:p.lowered])
		}
		fill(p.gain[n:max(n, p.lowered)], 1)
		p.guard.next -= gone
		p.lowered -= gone
	}
	v.end -= gone
}
