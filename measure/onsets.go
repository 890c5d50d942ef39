package measure

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// FirstWindowMs is how long a sound's first window lasts: the time after silence in
// which a limiter's gain has not yet come down, and that holds the first crest of
// any sound above 25 Hz. Silence is what stays 60 dB under the ceiling in all
// channels for 100 ms, several times a limiter's look-ahead and hold. (common
// practice, no source)
const (
	FirstWindowMs   = 10
	silenceBeforeMs = 100
	silenceDB       = -60
)

// setIns finds where sound sets in after silence, and keeps the first windows that
// have not yet been read.
type setIns struct {
	least           float64 // silence does not exceed it
	silence, window int64   // frames
	quiet           int64   // frames of silence so far
	windows         [][2]int64
}

func newSetIns(rate int, ceilingDBTP float64) setIns {
	return setIns{
		least:   dsp.DBToAmplitude(ceilingDBTP + silenceDB),
		silence: int64(rate) * silenceBeforeMs / 1000, window: int64(rate) * FirstWindowMs / 1000,
		quiet: math.MaxInt64 / 2, // before the first frame
	}
}

// write looks for set-ins in a block that begins at a frame.
func (s *setIns) write(b dsp.Block, frame int64) {
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
			// What the reading between the samples rings ahead belongs to it.
			at := frame + int64(n)
			s.windows = append(s.windows, [2]int64{at - fineTaps/2, at + s.window})
		}
		s.quiet = 0
	}
}

// touch reports whether frames from … to, both included, lie in a first window.
func (s *setIns) touch(from, to int64) bool {
	for _, w := range s.windows {
		if from < w[1] && to >= w[0] {
			return true
		}
	}
	return false
}

// forget drops the windows that end before a frame.
func (s *setIns) forget(frame int64) {
	for len(s.windows) > 0 && s.windows[0][1] < frame {
		s.windows = s.windows[1:]
	}
}
