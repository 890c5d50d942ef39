package compare

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// offsets follow the mean of both sounds, window by window, for a constant offset that
// one of them has.
type offsets struct {
	channels []offsetSums
}

type offsetSums struct {
	windows  int
	x, y, ee float64 // sums of the windows' means of A and B, and of their difference squared
}

const (
	leastOffset     = 1e-6 // −120 dBFS: a step of 16 bits is 30 times that
	offsetDeviation = 8    // standard errors of the mean difference: windows of sound are not independent
	offsetFrames    = 1024 // of a window
	offsetWindows   = 8    // fewer give no standard error to rely on
)

func newOffsets(channels int) *offsets { return &offsets{make([]offsetSums, channels)} }

// write takes a stretch of A and of B on its level, of which whole windows count.
func (o *offsets) write(x, y dsp.Block) {
	for c := range x {
		s := &o.channels[c]
		for from := 0; from+offsetFrames <= len(x[c]); from += offsetFrames {
			var sx, sy float64
			for k, v := range x[c][from : from+offsetFrames] {
				sx += v
				sy += y[c][from+k]
			}
			sx, sy = sx/offsetFrames, sy/offsetFrames
			s.windows++
			s.x, s.y, s.ee = s.x+sx, s.y+sy, s.ee+(sy-sx)*(sy-sx)
		}
	}
}

// offsetDifferences are constant offsets that one sound has and the other has not, of
// the channel where it is largest. The windows must agree on it: what drifts is none.
// Where the level moved, an offset that both have moved with it.
func (c *Comparison) offsetDifferences(moved bool) []Difference {
	best, all := c.difference(Offset, 0, "dBFS"), 0
	largest := 0.0
	for i, s := range c.offsets.channels {
		n := float64(s.windows)
		if s.windows < offsetWindows {
			continue
		}
		mean := (s.y - s.x) / n
		deviation := math.Sqrt(max(0, s.ee/n-mean*mean) / n)
		both := min(math.Abs(s.x), math.Abs(s.y)) / n
		if !moved {
			both *= 0.1
		}
		if math.Abs(mean) < max(leastOffset, offsetDeviation*deviation, both) {
			continue
		}
		all++
		if math.Abs(mean) > largest {
			largest = math.Abs(mean)
			best.Channel, best.In = i, "B"
			value := mean * math.Abs(c.gain)       // on B's level
			if math.Abs(s.y) < 0.1*math.Abs(s.x) { // taken out
				best.In, value = "A", mean
			}
			best.Value = dsp.AmplitudeToDB(math.Abs(value))
		}
	}
	if all == 0 {
		return nil
	}
	if all == c.Channels {
		best.Channel = -1
	}
	return []Difference{best}
}
