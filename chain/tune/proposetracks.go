package tune

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// Tracks hold a level of the loudest channel for each millisecond, in hundredths of a dB. They
// cover the first two hours of a take. The rules use these; the verifying run covers the whole
// take.
const (
	mostTrackMs = 2 * 3600 * 1000
	quietest    = -20000 // hundredths of a dB
)

// milliseconds counts the milliseconds of a track.
type milliseconds struct {
	rate  int
	count int   // completed
	frame int64 // frames so far
	end   int64 // frame at which the current millisecond ends
}

func newMilliseconds(rate int) milliseconds {
	m := milliseconds{rate: rate}
	m.end = m.start(1)
	return m
}

// start returns the frame at which a millisecond begins.
func (m *milliseconds) start(ms int) int64 { return int64(ms) * int64(m.rate) / 1000 }

// of returns the millisecond of a frame.
func (m *milliseconds) of(frame int64) int { return int(frame * 1000 / int64(m.rate)) }

// frames returns the length of the current millisecond in frames.
func (m *milliseconds) frames() int64 { return m.end - m.start(m.count) }

// advance adds frames to the current millisecond, at most up to its end, and reports whether it
// is complete.
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

// takeTracks holds the tracks of a take.
type takeTracks struct {
	milliseconds // of the level
	level        []int16
	sections     *dsp.SectionLevels // the side chain, and the corners of the peaks
	detectors    []trackDetector    // of each channel
	peaks        *peakTrack         // nil: not requested
}

// trackDetector reads levels like an expander's detector: RMS over 20 ms with triangular
// weights.
type trackDetector struct {
	// Mean squares of the last milliseconds, the latest first, starting at index first. Every
	// value is stored twice, so that the window is one slice and nothing has to be moved.
	past  [2 * window]float64
	first int
}

const window = 20 // ms

// triangle holds the weights of the milliseconds; their sum is 1.
var triangle = func() (w [window]float64) {
	const half = window / 2
	for k := range w {
		w[k] = float64(min(k+1, window-k)) / (half * (half + 1))
	}
	return w
}()

// enter adds the mean square of the next millisecond and returns the weighted mean.
func (d *trackDetector) enter(meanSquare float64) (level float64) {
	d.first = (d.first + window - 1) % window
	d.past[d.first], d.past[d.first+window] = meanSquare, meanSquare
	past := (*[window]float64)(d.past[d.first:])
	// Four sums, so that no addition waits for the one before it.
	var sums [4]float64
	for k := 0; k < window; k += 4 {
		sums[0] += float64(past[k] * triangle[k])
		sums[1] += float64(past[k+1] * triangle[k+1])
		sums[2] += float64(past[k+2] * triangle[k+2])
		sums[3] += float64(past[k+3] * triangle[k+3])
	}
	return (sums[0] + sums[1]) + (sums[2] + sums[3])
}

// newTakeTracks makes the tracks of a take of this many frames; 0 or less: unknown. A track
// that grows is copied, which takes twice the memory for a while.
func newTakeTracks(f wave.Format, frames int64) *takeTracks {
	t := &takeTracks{milliseconds: newMilliseconds(f.Rate), detectors: make([]trackDetector, f.Channels), peaks: new(peakTrack)}
	fs := float64(f.Rate)
	sections := dsp.ButterworthHighPass(2, sideChainHz, fs)
	for _, hz := range peakCornersHz {
		sections = append(sections, dsp.ButterworthHighPass(2, min(hz, 0.4*fs), fs)...)
	}
	t.sections = dsp.NewSectionLevels(sections, f.Channels)
	t.level = make([]int16, 0, min(mostTrackMs, t.of(max(0, frames))))
	return t
}

// write processes the next block.
func (t *takeTracks) write(b dsp.Block) {
	for from := 0; from < b.Frames() && t.count < mostTrackMs; {
		n := min(b.Frames()-from, int(t.end-t.frame))
		t.sections.Add(b, from, from+n)
		from += n
		frames := float64(t.frames())
		if t.advance(n) {
			t.endMs(frames)
		}
	}
}

func (t *takeTracks) endMs(frames float64) {
	level := 0.0
	var largest [len(peakCornersHz)]float64
	for c := range t.detectors {
		squares, peaks := t.sections.Take(c)
		level = max(level, t.detectors[c].enter(squares[0]/frames))
		for k := range largest {
			largest[k] = max(largest[k], peaks[1+k])
		}
	}
	t.level = append(t.level, centibels(level))
	if t.peaks != nil {
		t.peaks.enter(t.count-1, largest)
	}
}

// centibels returns the level of a mean square in hundredths of a dB.
func centibels(power float64) int16 {
	switch {
	case power == 1:
		return 0
	case !(power > 0):
		return quietest
	}
	return int16(math.Round(min(10000, max(quietest, 100*dsp.PowerToDB(power)))))
}
