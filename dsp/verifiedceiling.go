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

// VerifiedCeiling keeps the finest readings of a limited signal under a
// ceiling. After it no sample, no reading of Rec. ITU-R BS.1770-5 Annex 2 and
// no reading of a windowed sinc of 64 phases and 256 taps exceeds the ceiling,
// for every input (the proof is at ceilingGuard); between the readings of the
// sinc a band-limited peak rises by at most 0.0026 dB more, 1/cos(π/128) (Ehlich
// & Zeller 1964).
//
// It belongs after the limiter, last in a chain that works on files: it has
// 511 frames of latency, and where a signal reaches the ceiling it interpolates
// at length. A limited voice it lowers by thousandths of a dB, here and there.
// What is under the ceiling passes bit for bit.
//
// After OnGrid the same holds for samples that were dithered and rounded for an
// output format: they come out as samples of that format.
type VerifiedCeiling struct {
	kept   int
	planes []limiterPlane
	end    int
	paths  []verifiedPath
	lowest float64 // gain since Reset
}

type verifiedPath struct {
	from, to int // its channels
	guard    ceilingGuard
	gain     []float64
	lowered  int // gains from here on are 1
}

// verifiedStride is as long as the sinc: a fade of that length, a raised
// cosine, raises readings by less than guardMarginDB.
const verifiedStride = 256

// verifiedGuard is the guard of a VerifiedCeiling, but for its limit and its memory.
// Its interpolators are the same in all of them.
var verifiedGuard = sync.OnceValue(func() ceilingGuard {
	fade := make([]float64, verifiedStride)
	for k := range fade {
		_, cos := SincosPi((float64(k) + 0.5) / verifiedStride)
		fade[k] = 0.5 + float64(0.5*cos)
	}
	samples := mustPolyphase([]float64{0, 1}, [][]float64{{1, 0}, {0, 1}})
	return newCeilingGuard(1, fade, 1, samples, annex2Bank(), sharedSinc(64, 256, 10))
})

// NewVerifiedCeiling builds the stage; errors are *SettingError.
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
	guard.alone = true
	v.kept = (guard.reach()+guard.latency())/peakCell*peakCell + 2*peakCell
	frames := v.kept + 16*limiterSegment // what is kept is moved seldom
	for c := 0; c < channels; c += share {
		v.paths = append(v.paths, verifiedPath{from: c, to: c + share, guard: guard.twin(share), gain: make([]float64, frames)})
	}
	for c := range v.planes {
		v.planes[c] = newLimiterPlane(frames)
	}
	v.Reset()
	return v, nil
}

// Latency is 511 frames, at every rate: twice the length of the sinc, less one.
// So long is it until every reading is known that a frame has a part in, and
// that the fade has a part in which could follow it.
func (v *VerifiedCeiling) Latency() int { return VerificationFrames }

// VerificationFrames is the latency of a VerifiedCeiling.
const VerificationFrames = 2*verifiedStride - 1

// ReductionDB is the most that the stage has taken off since Reset, in dB.
func (v *VerifiedCeiling) ReductionDB() float64 { return reductionDB(v.lowest) }

// OnGrid announces, ahead of the first sample, that what comes in
// are whole multiples of a step, a power of two: 2^−15 for 16 bits. What it
// lowers, it rounds to such multiples again, and the ceiling is held by what
// was rounded. 0: any samples.
func (v *VerifiedCeiling) OnGrid(step float64) {
	for i := range v.paths {
		v.paths[i].guard.onGrid(step)
	}
}

// Reset empties the stage.
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

// ProcessTraced is Process that also stores the gains.
func (v *VerifiedCeiling) ProcessTraced(b, gain Block) {
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

// forget moves everything back by whole cells.
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
