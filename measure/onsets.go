package measure

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// FirstWindowMs is the length of a first window: the time after silence in which a
// limiter's gain has not yet come down. It contains the first crest of any sound above 25
// Hz. Silence is 100 ms in which all channels stay 60 dB below the ceiling; that is
// several times a limiter's look-ahead and hold. (common practice, no source)
const (
	FirstWindowMs   = 10
	silenceBeforeMs = 100
	silenceDB       = -60
)

// onsets finds where sound begins after silence, and keeps the first windows that have
// not yet been read.
type onsets struct {
	least           float64 // silence is at most this
	silence, window int64   // frames
	quiet           int64   // frames of silence so far
	windows         [][2]int64
}

func newOnsets(rate int, ceilingDBTP float64) onsets {
	return onsets{
		least:   dsp.DBToAmplitude(ceilingDBTP + silenceDB),
		silence: int64(rate) * silenceBeforeMs / 1000, window: int64(rate) * FirstWindowMs / 1000,
		quiet: math.MaxInt64 / 2, // before the first frame
	}
}

// write looks for onsets in a block that begins at a frame.
func (s *onsets) write(b dsp.Block, frame int64) {
	for n := range b.Frames() {
		loudest := 0.0
		for _, plane := range b {
			loudest = max(loudest, math.Abs(plane[n]))
		}
		if !(loudest > s.least) { // NaN: refused elsewhere
			s.quiet++
			continue
		}
		if s.quiet >= s.silence {
			// Ringing of the interpolator before the onset belongs to it.
			at := frame + int64(n)
			s.windows = append(s.windows, [2]int64{at - fineTaps/2, at + s.window})
		}
		s.quiet = 0
	}
}

// touch reports whether frames from … to, both included, lie in a first window.
func (s *onsets) touch(from, to int64) bool {
	for _, w := range s.windows {
		if from < w[1] && to >= w[0] {
			return true
		}
	}
	return false
}

// forget drops the windows that end before a frame.
func (s *onsets) forget(frame int64) {
	for len(s.windows) > 0 && s.windows[0][1] < frame {
		s.windows = s.windows[1:]
	}
}
