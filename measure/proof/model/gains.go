package model

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// envelope is an attenuation in dB that follows its target by a one-pole filter in
// dB, of one time constant towards more and another towards less (Giannoulis,
// Massberg, Reiss, JAES 60(6) 2012, eq. 16).
type envelope struct {
	more, less float64 // the poles
	now        float64 // dB
}

func newEnvelope(moreMs, lessMs float64, rate int, now float64) *envelope {
	return &envelope{pole(moreMs, rate), pole(lessMs, rate), now}
}

func pole(ms float64, rate int) float64 {
	if ms <= 0 {
		return 0
	}
	return math.Exp(-1000 / (ms * float64(rate)))
}

// nearDB is the distance in dB within which an attenuation has reached its target.
const nearDB = 1e-7

func (e *envelope) follow(target float64) float64 {
	p := e.less
	if target >= e.now {
		p = e.more
	}
	e.now = target + (e.now-target)*p
	if math.Abs(e.now-target) < nearDB {
		e.now = target
	}
	return e.now
}

// held is the largest target within a hold, at each frame. Falling targets are joined, as
// in the engine: a target counts until the last one that was joined to it, up to a quarter
// of a millisecond or a 64th of the hold later.
func held(targets []float64, holdMs float64, rate int) []float64 {
	hold := dsp.Frames(holdMs, rate)
	if hold == 0 {
		return targets
	}
	grain := max(1, min(rate/4000, hold/64))
	type run struct {
		target float64
		last   int
	}
	var runs []run // that may become the largest, falling
	out := make([]float64, len(targets))
	for n, target := range targets {
		for len(runs) > 0 && runs[len(runs)-1].target <= target {
			runs = runs[:len(runs)-1]
		}
		if k := len(runs); k > 1 && runs[k-2].last+grain-1 >= n {
			runs[k-1].last = n
		} else {
			runs = append(runs, run{target, n})
		}
		for runs[0].last+hold < n {
			runs = runs[1:]
		}
		out[n] = runs[0].target
	}
	return out
}

// knee is 0 before a threshold, a line of a slope after it, and within a knee the
// parabola that meets both (the paper's eq. 4).
func knee(past, slope, width float64) float64 {
	switch {
	case past <= -width/2 || slope == 0:
		return 0
	case past < width/2:
		return slope * (past + width/2) * (past + width/2) / (2 * width)
	}
	return slope * past
}

// applied is a sound, delayed by the look-ahead, times gains in dB: those of its channel, or
// of a single plane for all channels.
func applied(in, gainDB dsp.Block, lookahead int) dsp.Block {
	out := dsp.NewBlock(len(in), in.Frames())
	for c := range in {
		gains := gainDB[min(c, len(gainDB)-1)]
		for n := lookahead; n < len(in[c]); n++ {
			if x := in[c][n-lookahead]; x != 0 {
				out[c][n] = x * decibels(gains[n])
			}
		}
	}
	return out
}

type compressor struct {
	dsp.CompressorSettings
	rate int
}

func (c *compressor) latency() int { return dsp.Frames(c.LookaheadMs, c.rate) }

func (c *compressor) run(in dsp.Block) dsp.Block {
	levels := detect(c.Detector, c.DetectorWindowMs, c.SidechainHighPassHz, c.LinkChannels, c.rate, in)
	for _, plane := range levels {
		for n, level := range plane {
			plane[n] = knee(level-c.ThresholdDBFS, 1-1/c.Ratio, c.KneeDB)
		}
		e := newEnvelope(c.AttackMs, c.ReleaseMs, c.rate, 0)
		for n, target := range held(plane, c.HoldMs, c.rate) {
			plane[n] = -e.follow(target)
		}
	}
	out := applied(in, levels, c.latency())
	makeup := decibels(c.MakeupDB)
	for _, plane := range out {
		for n := range plane {
			plane[n] *= makeup
		}
	}
	return out
}

type expander struct {
	dsp.ExpanderSettings
	rate int
}

func (e *expander) latency() int { return dsp.Frames(e.LookaheadMs, e.rate) }

func (e *expander) run(in dsp.Block) dsp.Block {
	levels := detect(e.Detector, e.DetectorWindowMs, e.SidechainHighPassHz, e.LinkChannels, e.rate, in)
	opens, hold := e.ThresholdDBFS+e.KneeDB/2, dsp.Frames(e.HoldMs, e.rate)
	for _, plane := range levels {
		atRest := e.RangeDB
		if e.Ratio == 1 {
			atRest = 0
		}
		follower := newEnvelope(e.ReleaseMs, e.AttackMs, e.rate, atRest)
		open, since := false, 0 // frames since the level was high enough
		for n, level := range plane {
			switch {
			case level >= opens, open && level >= opens-e.HysteresisDB:
				open, since = true, 0
			case open:
				since++
				open = since <= hold
			}
			target := 0.0
			if !open {
				target = min(e.RangeDB, knee(e.ThresholdDBFS-level, e.Ratio-1, e.KneeDB))
			}
			plane[n] = -follower.follow(target)
		}
	}
	return applied(in, levels, e.latency())
}

type deEsser struct {
	dsp.DeEsserSettings
	rate int
}

// sibilantWindowMs is the window of a de-esser's detectors.
const sibilantWindowMs = 10

// leastKeyDBFS is the level of the key band that counts as silence.
const leastKeyDBFS = -140

func (*deEsser) latency() int { return 0 }

func (d *deEsser) run(in dsp.Block) dsp.Block {
	keyBand := append(butterworth(2, d.KeyLowHz, true, d.rate), butterworth(2, d.KeyHighHz, false, d.rate)...)
	key := filter{keyBand}.run(in)
	levels := inDecibels(meanSquares(sibilantWindowMs, d.LinkChannels, d.rate, key), 10)
	var whole dsp.Block
	if d.Relative {
		whole = inDecibels(meanSquares(sibilantWindowMs, d.LinkChannels, d.rate, in), 10)
	}
	for k, plane := range levels {
		e := newEnvelope(d.AttackMs, d.ReleaseMs, d.rate, 0)
		for n, level := range plane {
			over := level - d.ThresholdDBFS
			if d.Relative {
				over = level - whole[k][n] - d.RelativeDB
			}
			target := 0.0
			if level > leastKeyDBFS {
				target = min(d.RangeDB, knee(over, 1-1/d.Ratio, 0))
			}
			plane[n] = -e.follow(target)
		}
	}
	out := make(dsp.Block, len(in))
	for c, x := range in {
		gains := levels[min(c, len(levels)-1)]
		out[c] = filtered(x, []section{bandPass(d.CentreHz, d.Q, d.rate)})
		for n, v := range out[c] {
			out[c][n] = x[n] + (decibels(gains[n])-1)*v
		}
	}
	return out
}
