package dsp

import (
	"fmt"
	"math"
)

// ReleaseStyle trades a limiter's loudness against the movement of its gain.
type ReleaseStyle int

// The release styles.
const (
	Balanced ReleaseStyle = iota
	Clean                 // the gain moves least
	Loud                  // the gain recovers soonest
)

// LimiterSettings describes a look-ahead true-peak limiter.
type LimiterSettings struct {
	CeilingDBTP  float64
	DriveDB      float64 // gain ahead of the limiter
	LookaheadMs  float64 // the whole latency
	Release      ReleaseStyle
	LinkChannels bool // one gain for all channels, from the loudest
}

// Limiter keeps the true peak under a ceiling.
//
// The peak of each interval between two frames is the largest of its samples
// and of what two interpolators read between them: that of Rec. ITU-R BS.1770
// Annex 2, by which a limiter is judged, and a longer windowed sinc, which is
// nearer to the truth. From it follows the reduction 1 − ceiling/peak that the
// frames on both sides need. The reductions are gathered in groups of frames
// (about 12 kHz), held, and released depending on the programme: a short peak
// is let go fast, sustained limiting slowly. Then each is held over the
// look-ahead and smoothed by a window as long: a running maximum followed by a
// weighted mean of the same length gives a smooth reduction that is nowhere
// less than the one needed, because every value in the mean covers it
// (Hämäläinen, "Smoothing of the control signal without clipped output in
// digital peak limiters", DAFx 2002). The gain runs in straight lines from
// group to group.
//
// While nothing exceeds the ceiling, the sound passes unchanged but for the
// delay and the drive.
type Limiter struct {
	drive     float64
	latency   int
	linked    bool
	watches   []*peakWatch // per channel
	envelopes []*limiterEnvelope
	delays    []DelayLine
	need      [cell]float64
	other     [cell]float64
}

// ceilingMarginDB is how far under the ceiling the gain aims: twice what 16-bit
// quantisation with dither can add at −1 dBTP (1.5 LSB · 2.02, the Annex 2 L1
// norm, is 0.0009 dB).
const ceilingMarginDB = 0.002

// NewLimiter builds a limiter. Errors are *SettingError.
func NewLimiter(s LimiterSettings, rate, channels int) (*Limiter, error) {
	err := first(
		checkFormat(rate, channels),
		checkRange("ceiling_dbtp", s.CeilingDBTP, -60, 0, "dBTP"),
		checkRange("drive_db", s.DriveDB, -60, 60, "dB"),
		checkRange("lookahead_ms", s.LookaheadMs, 0.1, 50, "ms"),
		checkRange("release_style", float64(s.Release), float64(Balanced), float64(Loud), ""),
	)
	if err != nil {
		return nil, err
	}
	latency := int(math.Floor(s.LookaheadMs*float64(rate)/1000 + 1e-9)) // 0.3 ms at 10 kHz is 3 frames
	t := limiterTimesFor(latency, rate)
	if t.window < 1 {
		return nil, &SettingError{"lookahead_ms", fmt.Sprintf("%g ms", s.LookaheadMs),
			fmt.Sprintf("%.3g ms or more at %d Hz (%d frames)", float64(shortestLookahead)*1000/float64(rate), rate, shortestLookahead)}
	}
	ceiling := DBToAmplitude(s.CeilingDBTP - ceilingMarginDB)
	l := &Limiter{drive: DBToAmplitude(s.DriveDB), latency: latency, linked: s.LinkChannels}
	meters := newPeakMeters(t.half)
	for range channels {
		l.watches = append(l.watches, newPeakWatch(meters, ceiling))
		l.delays = append(l.delays, NewDelayLine(latency))
		if !s.LinkChannels || len(l.envelopes) == 0 {
			l.envelopes = append(l.envelopes, newLimiterEnvelope(t, s.Release, rate))
		}
	}
	return l, nil
}

// limiterTimes is how a limiter spends its latency.
type limiterTimes struct {
	half   int // frames on each side that the longer interpolator sees
	group  int // frames
	window int // groups that the smoothing window is long
	slack  int // frames left over
}

// shortestLookahead in frames: an interpolator of 16 taps and two groups of one.
const shortestLookahead = 9

// limiterTimesFor splits a latency: a group's reduction is known half − 1
// frames after its end, and the last knot of a group's gain rests on window
// groups after it.
func limiterTimesFor(latency, rate int) limiterTimes {
	t := limiterTimes{half: 16}
	if latency < 64 {
		t.half = 8
	}
	for t.group = max(1, (rate+6000)/12000); t.group > 1 && latency-(t.half-1) < 8*t.group; {
		t.group--
	}
	t.window = (latency-(t.half-1))/t.group - 1
	t.slack = latency - (t.half - 1) - (t.window+1)*t.group
	return t
}

// Latency is the look-ahead in frames.
func (l *Limiter) Latency() int { return l.latency }

// Process limits the block in place.
func (l *Limiter) Process(b Block) { l.ProcessTraced(b, nil) }

// ProcessTraced is Process that also stores the gains, without the drive.
func (l *Limiter) ProcessTraced(b, gain Block) {
	for from, frames := 0, b.Frames(); from < frames; from += cell {
		to := min(frames, from+cell)
		n := to - from
		for c := range b {
			scale(b[c][from:to], l.drive)
		}
		if l.linked {
			need, needed := l.need[:n], false
			for c, w := range l.watches {
				if !needed {
					needed = w.run(need, b[c][from:to])
				} else if other := l.other[:n]; w.run(other, b[c][from:to]) {
					louder(need, other)
				}
			}
			l.envelopes[0].run(need, needed)
		} else {
			for c, w := range l.watches {
				needed := w.run(l.need[:n], b[c][from:to])
				l.envelopes[c].run(l.need[:n], needed)
			}
		}
		for c := range b {
			e := l.envelopes[min(c, len(l.envelopes)-1)]
			x := b[c][from:to]
			l.delays[c].Process(x)
			if !e.unity {
				multiply(x, e.gains[:n], 1)
			}
			if gain != nil {
				e.trace(gain[c][from:to])
			}
		}
		for _, e := range l.envelopes {
			e.advance(n)
		}
	}
}

// Reset brings the limiter back to the state it was built in.
func (l *Limiter) Reset() {
	for c := range l.watches {
		l.watches[c].reset()
		l.delays[c].Reset()
	}
	for _, e := range l.envelopes {
		e.reset()
	}
}
