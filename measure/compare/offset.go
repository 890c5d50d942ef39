package compare

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
)

// offsets follow the mean of both sounds, window by window, for a constant offset that
// one of them has.
type offsets struct {
	length   int // frames of a window: whole milliseconds
	channels []offsetSums
}

type offsetSums struct {
	windows  int
	x, y, ee float64 // sums of the windows' means of A and B, and of their difference squared
	frames   int     // of the running window
	sx, sy   float64 // sums over it
}

const (
	leastOffset     = 1e-6 // −120 dBFS: a step of 16 bits is 30 times that
	offsetDeviation = 8    // standard errors of the mean difference: windows of sound are not independent
	offsetMs        = 20   // of a window
	offsetGainDB    = 1.0  // beside the gains that are found: 0.1 of an offset, as without them
	offsetWindows   = 8    // fewer give no standard error to rely on
)

func newOffsets(rate, channels int) *offsets {
	return &offsets{offsetMs * grainFrames(rate), make([]offsetSums, channels)}
}

// add takes the next frames of a channel of A, and of B on its level.
func (o *offsets) add(channel int, d *vector.Difference, frames int) {
	s := &o.channels[channel]
	s.sx, s.sy = s.sx+d.X, s.sy+d.Y
	if s.frames += frames; s.frames < o.length {
		return
	}
	n := float64(s.frames)
	x, y := s.sx/n, s.sy/n
	s.windows++
	s.x, s.y, s.ee = s.x+x, s.y+y, s.ee+(y-x)*(y-x)
	s.frames, s.sx, s.sy = 0, 0, 0
}

// restart forgets the running windows.
func (o *offsets) restart() {
	for c := range o.channels {
		o.channels[c].frames, o.channels[c].sx, o.channels[c].sy = 0, 0, 0
	}
}

// offsetDifferences are constant offsets that one sound has and the other has not, of
// the channel where it is largest. The windows must agree on it: what drifts is none.
// Where the level moved, an offset that both have moved with it; where the response or the
// gain by level is another one, an offset that both have was changed with it.
func (c *Comparison) offsetDifferences(moved bool) []Difference {
	best, all := c.difference(Offset, 0, "dBFS"), 0
	largest := 0.0
	low, high := c.gainsOfOffset()
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
		if of := dsp.AmplitudeToDB(s.y / s.x); of >= low-offsetGainDB && of <= high+offsetGainDB { // NaN of two signs
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

// gainsOfOffset are the gains in dB that an offset of A may have in B on A's level: that of
// the lowest band that B follows, which a filter has down to 0 Hz but for a shelf that ends
// below it, those of all levels, and what noise in A takes from the gain that was matched.
func (c *Comparison) gainsOfOffset() (low, high float64) {
	if followed, medianDB := c.followedBands(); len(followed) > 0 {
		lowest := followed[0].responseDB + medianDB
		low, high = min(0, lowest), max(0, lowest)
	}
	spread := c.byLevel.spreadDB()
	_, upper := c.spectrum.gains(func(int) bool { return false })
	return low - spread, max(high, upper) + spread
}
