package tune

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// Tracks hold a level of the loudest channel for each millisecond, in hundredths of a
// dB. They cover the first two hours of a take, on which the rules rest; the verifying
// run covers all of it.
const (
	mostTrackMs = 2 * 3600 * 1000
	quietest    = -20000 // hundredths of a dB
)

// milliseconds counts the milliseconds of a track.
type milliseconds struct {
	rate  int
	count int   // complete
	frame int64 // frames so far
	end   int64 // the frame with which the running millisecond ends
}

func newMilliseconds(rate int) milliseconds {
	m := milliseconds{rate: rate}
	m.end = m.start(1)
	return m
}

// start is the frame with which a millisecond begins.
func (m *milliseconds) start(ms int) int64 { return int64(ms) * int64(m.rate) / 1000 }

// of is the millisecond of a frame.
func (m *milliseconds) of(frame int64) int { return int(frame * 1000 / int64(m.rate)) }

// frames is the length of the running millisecond.
func (m *milliseconds) frames() int64 { return m.end - m.start(m.count) }

// advance passes over frames of the running millisecond, at most to its end, and reports
// whether it is complete.
func (m *milliseconds) advance(frames int) bool {
	if m.frame += int64(frames); m.frame < m.end {
		return false
	}
	if m.count++; m.count == mostTrackMs {
		m.end = math.MaxInt64
	} else {
		m.end = m.start(m.count + 1)
	}
	return true
}

// takeTracks are the tracks of a take.
type takeTracks struct {
	milliseconds // of the level
	level        []int16
	detectors    []trackDetector // of each channel
	peaks        *peakTrack
}

// trackDetector reads as an expander's detector does: RMS over 20 ms under a triangle.
type trackDetector struct {
	sum float64
	// Mean squares of milliseconds, the last one at first and the others after it; twice,
	// so that they need not be moved each time.
	past  [2 * window]float64
	first int
}

const window = 20 // ms

// triangle weighs the milliseconds; its sum is 1.
var triangle = func() (w [window]float64) {
	const half = window / 2
	for k := range w {
		w[k] = float64(min(k+1, window-k)) / (half * (half + 1))
	}
	return w
}()

// enter enters the mean square of the next millisecond and returns the level's.
func (d *trackDetector) enter(meanSquare float64) (level float64) {
	d.first = (d.first + window - 1) % window
	d.past[d.first], d.past[d.first+window] = meanSquare, meanSquare
	past := (*[window]float64)(d.past[d.first:])
	for k, w := range triangle {
		level += float64(past[k] * w)
	}
	return level
}

// newTakeTracks makes the tracks of a take of so many frames, as far as that is known:
// a track that grows is copied, and then takes twice the memory.
func newTakeTracks(f wave.Format, frames int64) *takeTracks {
	t := &takeTracks{milliseconds: newMilliseconds(f.Rate), detectors: make([]trackDetector, f.Channels), peaks: newPeakTrack(f)}
	t.level = make([]int16, 0, min(mostTrackMs, t.of(max(0, frames))))
	return t
}

// writeSide takes the sound behind the expander's side chain, which is the high-pass
// above which pauses are found.
func (t *takeTracks) writeSide(b dsp.Block) {
	for from := 0; from < b.Frames() && t.count < mostTrackMs; {
		n := min(b.Frames()-from, int(t.end-t.frame))
		for c := range t.detectors {
			sum := t.detectors[c].sum
			for _, x := range b[c][from : from+n] {
				sum += float64(x * x)
			}
			t.detectors[c].sum = sum
		}
		from += n
		frames := float64(t.frames())
		if t.advance(n) {
			t.endMs(frames)
		}
	}
}

func (t *takeTracks) endMs(frames float64) {
	level := 0.0
	for c := range t.detectors {
		d := &t.detectors[c]
		level = max(level, d.enter(d.sum/frames))
		d.sum = 0
	}
	t.level = append(t.level, centibels(level))
}

// centibels is the level of a mean square in hundredths of a dB.
func centibels(power float64) int16 {
	switch {
	case power == 1:
		return 0
	case !(power > 0):
		return quietest
	}
	return int16(math.Round(min(10000, max(quietest, 100*dsp.PowerToDB(power)))))
}
