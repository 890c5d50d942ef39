package dsp

import (
	"fmt"

	"github.com/boothbench/boothbench/dsp/vector"
)

// Recovery selects how soon a limiter's gain returns after a peak. Slow moves
// the gain less; fast makes the result louder.
type Recovery int

// The recoveries; their times are in limiterrelease.go.
const (
	MediumRecovery Recovery = iota
	SlowRecovery
	FastRecovery
)

// LimiterSettings describes a look-ahead true-peak limiter.
type LimiterSettings struct {
	CeilingDBTP  float64
	DriveDB      float64 // gain ahead of the limiter
	LookaheadMs  float64 // the whole latency, without that of the verification
	Recovery     Recovery
	LinkChannels bool // one gain for all channels, from the peaks of all
	Verify       bool // asks for NewVerifiedLimiter; NewLimiter refuses it
}

// Ceiling describes the ceiling that the limiter keeps its output under.
func (s LimiterSettings) Ceiling() Ceiling { return Ceiling{s.CeilingDBTP, s.DriveDB, s.Verify} }

// Limiter keeps the true peak of its output under a ceiling. A frame's gain depends
// on the LookaheadMs of sound that follow it:
//
//  1. Detection (limiterpeaks.go): the true peak around every frame.
//  2. Hold and release (limiterrelease.go): the reduction, one minus the gain,
//     that the peaks ask for, held, and released at a pace that depends on programme.
//  3. Look-ahead (limiterwindow.go): the largest reduction of the coming frames,
//     smoothed by a window as long as the look-ahead, so that the gain is
//     down, smoothly, when the peak arrives.
//  4. Guard (ceilingguard.go): the proof against the ceiling. No sample and no
//     reading of Rec. ITU-R BS.1770-5 Annex 2 exceeds it, whatever the input. A
//     longer interpolator may read more, by what CEILING.md of package chain states;
//     VerifiedLimiter holds one of 256 taps as well, and says what even that leaves out.
//
// While nothing exceeds the ceiling the output is the input, bit for bit, apart from
// drive and latency.
type Limiter struct {
	latency int
	drive   float64
	planes  []limiterPlane
	end     int // frames in the planes
	paths   []gainPath
	finder  peakFinder
	lowest  float64 // lowest gain since Reset
}

// gainPath is the shared state of the channels that have one gain.
type gainPath struct {
	from, to int // channels from … to−1
	peaks    []float64
	envelope reductionEnvelope
	runs     []reductionRun
	window   reductionWindow
	guard    ceilingGuard
	gain     []float64 // runs beside the planes
	moved    int       // gains from here on are 1
	used     int       // stored gains from here on are 1
}

const (
	// limiterMarginDB is how far below the ceiling the gain aims: twice what
	// quantisation to 16 bits with dither can add at −1 dBTP (1.5 LSB · 2.02,
	// the Annex 2 L1 norm, is 0.0009 dB).
	limiterMarginDB = 0.002

	// guardMarginDB is how far below the ceiling the guard acts: enough for
	// that quantisation, and less than limiterMarginDB, so that the guard is
	// usually at rest.
	guardMarginDB = 0.001

	// limiterSegment is the number of frames worked on at a time.
	limiterSegment = 256

	// ShortestLookahead is the smallest look-ahead of a limiter in frames: six for
	// the Annex 2 interpolator and ten in which to lower the gain.
	ShortestLookahead = 16
)

// NewLimiter builds the limiter for a rate in Hz and a number of channels; errors
// are *SettingError. The latency is LookaheadMs in whole frames, rounded down. It
// is at least 16 frames, which is more than 0.5 ms below 32 kHz and 2 ms at 8 kHz:
// a shorter one leaves no time to detect peaks between samples and to lower the
// gain smoothly.
func NewLimiter(s LimiterSettings, rate, channels int) (*Limiter, error) {
	const longestMs = 10
	shortestMs := max(0.5, ShortestLookahead*1000/float64(rate))
	err := first(
		checkFormat(rate, channels),
		checkRange("ceiling_dbtp", s.CeilingDBTP, -60, 0, "dBTP"),
		checkRange("drive_db", s.DriveDB, -60, 60, "dB"),
		checkRange("lookahead_ms", s.LookaheadMs, shortestMs, longestMs, "ms"),
		checkRange("recovery", float64(s.Recovery), float64(MediumRecovery), float64(FastRecovery), ""),
	)
	if shortestMs > longestMs && rate >= MinRate {
		err = &SettingError{"rate", fmt.Sprintf("%d Hz", rate), fmt.Sprintf("%d Hz and more: a limiter looks %d frames ahead at least, and %d ms at most", ShortestLookahead*1000/longestMs, ShortestLookahead, longestMs)}
	}
	if err == nil && s.Verify {
		err = &SettingError{"verify", "true", "false; NewVerifiedLimiter builds a limiter that verifies"}
	}
	if err != nil {
		return nil, err
	}
	latency := int(s.LookaheadMs*float64(rate)/1000 + 1e-9) // 0.3 ms at 10 kHz is 3 frames
	l := &Limiter{
		latency: latency,
		drive:   DBToAmplitude(s.DriveDB),
	}
	l.finder = newPeakFinder(latency, channels)
	share := 1
	if s.LinkChannels {
		share = channels
	}
	limit := DBToAmplitude(s.CeilingDBTP - limiterMarginDB)
	frames := l.kept() + 4*limiterSegment
	stride := min(len(guardFade), max(3, latency/6)) // see guardFade: the whole of it from 72 frames on
	guard := newCeilingGuard(DBToAmplitude(s.CeilingDBTP-guardMarginDB), guardFade[len(guardFade)-stride:], share, l.finder.short)
	for c := 0; c < channels; c += share {
		l.paths = append(l.paths, gainPath{
			from: c, to: c + share,
			peaks:    make([]float64, limiterSegment+1),
			envelope: newReductionEnvelope(limit, s.Recovery, rate),
			runs:     make([]reductionRun, 0, limiterSegment),
			window:   newReductionWindow(latency - l.finder.half - guard.latency() + 1),
			guard:    guard.twin(share),
			gain:     make([]float64, frames),
		})
	}
	l.planes = make([]limiterPlane, channels)
	for c := range l.planes {
		l.planes[c] = newLimiterPlane(frames)
	}
	l.Reset()
	return l, nil
}

// kept is how many past frames of a plane are needed, in whole cells: the
// frames not yet put out and those that the guard measures before them (less
// than two cells), or the interpolators' window with the cell before it.
func (l *Limiter) kept() int {
	return (max(l.latency, 2*l.finder.half) + 3*peakCell) / peakCell * peakCell
}

// Latency is the look-ahead in frames.
func (l *Limiter) Latency() int { return l.latency }

// ReductionDB is the largest gain reduction since Reset, in dB, without the
// drive.
func (l *Limiter) ReductionDB() float64 { return reductionDB(l.lowest) }

// reductionDB converts a linear gain to a reduction in dB, at most 200.
func reductionDB(gain float64) float64 { return min(200, max(0, -AmplitudeToDB(gain))) }

// Reset brings the limiter back to the state it was built in.
func (l *Limiter) Reset() {
	l.lowest = 1
	for c := range l.planes {
		l.planes[c].reset(l.kept())
	}
	l.end = l.kept()
	for p := range l.paths {
		l.paths[p].envelope.reset()
		l.paths[p].window.reset()
		clear(l.paths[p].peaks)
		l.paths[p].guard.reset(l.end - l.latency)
		fill(l.paths[p].gain, 1)
		l.paths[p].moved, l.paths[p].used = 0, 0
	}
}

// Process limits the block in place.
func (l *Limiter) Process(b Block) { l.run(b, nil) }

// ProcessTraced is Process that also stores the limiter's linear gain, without
// the drive.
func (l *Limiter) ProcessTraced(b, gain Block) { l.run(b, gain) }

func (l *Limiter) run(b, gain Block) {
	mustFit(b, len(l.planes))
	mustFitGain(gain, b)
	for from, frames := 0, b.Frames(); from < frames; from += limiterSegment {
		to := min(frames, from+limiterSegment)
		l.makeRoom(to - from)
		for c := range l.planes {
			l.planes[c].take(b[c][from:to], l.drive)
		}
		for p := range l.paths {
			l.segment(&l.paths[p], b, gain, from, to)
		}
		l.end += to - from
	}
}

// segment processes frames from … to−1 of the block through one gain path. The
// new input is in the planes already, after l.end.
func (l *Limiter) segment(p *gainPath, b, gain Block, from, to int) {
	frames := to - from
	// The peaks of these frames are known now: the interpolators look ahead.
	first := l.end - l.finder.half
	p.runs = l.finder.follow(l.planes[p.from:p.to], p.from, first, first+frames, &p.envelope, p.peaks, p.runs[:0])

	emitted := l.end - l.latency
	smoothed := emitted + p.guard.latency()
	if p.window.smooth(p.runs, p.gain[smoothed:smoothed+frames]) {
		fill(p.gain[smoothed:max(smoothed, min(smoothed+frames, p.used))], 1)
	} else {
		p.moved = smoothed + frames
	}
	if p.guard.run(l.planes[p.from:p.to], p.gain, smoothed+frames) {
		p.moved = smoothed + frames
	}
	p.used = max(p.used, p.moved)

	gains := p.gain[emitted : emitted+frames]
	if emitted < p.moved {
		l.lowest = vector.Lowest(gains, l.lowest)
	}
	for c := p.from; c < p.to; c++ {
		out, x := b[c][from:to][:len(gains)], l.planes[c].x[emitted : emitted+frames][:len(gains)]
		if emitted >= p.moved {
			copy(out, x)
		} else {
			vector.Multiply(out, gains, x)
		}
		if gain != nil {
			copy(gain[c][from:to], gains)
		}
	}
}

// makeRoom moves the planes back by whole cells when they are full.
func (l *Limiter) makeRoom(frames int) {
	if l.end+frames <= len(l.planes[0].x) {
		return
	}
	gone := (l.end - l.kept()) / peakCell * peakCell
	for c := range l.planes {
		l.planes[c].forget(gone / peakCell)
	}
	for i := range l.paths {
		p := &l.paths[i]
		copy(p.gain, p.gain[gone:l.end])
		p.guard.next -= gone
		p.moved -= gone
	}
	l.end -= gone
}

func fill(x []float64, v float64) {
	for i := range x {
		x[i] = v
	}
}
