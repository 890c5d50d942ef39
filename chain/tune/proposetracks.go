package tune

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
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
	sum  float64
	past [2 * halfWindow]float64 // mean squares of milliseconds, the last one first
}

const halfWindow = 10 // ms: half of the 20 ms

func newTakeTracks(f wave.Format) *takeTracks {
	return &takeTracks{milliseconds: newMilliseconds(f.Rate), detectors: make([]trackDetector, f.Channels), peaks: newPeakTrack(f)}
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
		copy(d.past[1:], d.past[:])
		d.past[0] = d.sum / frames
		sum := 0.0
		for k, p := range d.past {
			sum += p * float64(min(k+1, 2*halfWindow-k))
		}
		level = max(level, sum/(halfWindow*(halfWindow+1)))
		d.sum = 0
	}
	t.level = append(t.level, centibels(level))
}

// peakTrack holds the sample peaks above 60 Hz, which a compressor and a limiter are set
// by. It covers the first minute, and after it 10 s in 40; elsewhere it is silent.
type peakTrack struct {
	milliseconds
	level   []int16
	sound   *dsp.Cascade
	work    dsp.Block
	running float64
}

const (
	soundHz       = 60
	peakStretchMs = 10_000
	// The filter runs this long ahead of a stretch: 60 Hz have settled by 160 dB then.
	peakSettleMs = 100
)

// hasPeaks reports whether the track covers a millisecond.
func hasPeaks(ms int) bool {
	stretch := ms / peakStretchMs
	return stretch < 6 || stretch%4 == 0
}

func newPeakTrack(f wave.Format) *peakTrack {
	return &peakTrack{
		milliseconds: newMilliseconds(f.Rate), work: make(dsp.Block, f.Channels),
		sound: dsp.NewCascade(dsp.ButterworthHighPass(2, min(soundHz, 0.4*float64(f.Rate)), float64(f.Rate)), f.Channels),
	}
}

func (t *peakTrack) write(b dsp.Block) {
	covers := func(ms int) bool { return hasPeaks(ms) || hasPeaks(ms+peakSettleMs) }
	for from := 0; from < b.Frames() && t.count < mostTrackMs; {
		// The frames up to where the cover changes are filtered at once.
		covered, until := covers(t.count), t.count+1
		for until < mostTrackMs && covers(until) == covered && t.start(until)-t.frame < int64(b.Frames()-from) {
			until++
		}
		n := min(b.Frames()-from, int(t.start(until)-t.frame))
		if covered {
			for c := range b {
				t.work[c] = append(t.work[c][:0], b[c][from:from+n]...)
			}
			t.sound.Process(t.work)
		}
		t.read(n, covered)
		from += n
	}
}

// read enters filtered frames.
func (t *peakTrack) read(frames int, covered bool) {
	for from := 0; from < frames; {
		n := min(frames-from, int(t.end-t.frame))
		keep := covered && hasPeaks(t.count)
		for c := range t.work {
			if keep {
				t.running = max(t.running, vector.Peak(t.work[c][from:from+n]))
			}
		}
		from += n
		if t.advance(n) {
			t.level = append(t.level, centibels(t.running*t.running))
			t.running = 0
		}
	}
}

// peakPieces are the stretches, in milliseconds, that thresholds are solved on: six of
// 10 s at most, from all over the track.
func (t *peakTrack) peakPieces() (pieces [][2]int) {
	const most = 6
	for from := 0; from < len(t.level); from += peakStretchMs {
		if hasPeaks(from) {
			pieces = append(pieces, [2]int{from, min(len(t.level), from+peakStretchMs)})
		}
	}
	for n := len(pieces); len(pieces) > most; {
		var spread [][2]int
		for k := range most {
			spread = append(spread, pieces[k*(n-1)/(most-1)])
		}
		pieces = spread
	}
	return pieces
}

// excerpt are the pieces of a track, one after the other.
func (t *peakTrack) excerpt(track []int16) (part []int16) {
	for _, p := range t.peakPieces() {
		part = append(part, track[p[0]:min(len(track), p[1])]...)
	}
	return part
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
