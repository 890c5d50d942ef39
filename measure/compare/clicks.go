package compare

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
)

// clicks finds clicks in the difference of two sounds: a millisecond that holds far
// more of the difference than the 20 ms on either side, also in proportion to A, so
// that a click that both have on two levels is none.
type clicks struct {
	grain    int // frames: 1 ms
	channels []clickFinder
	found    []click
}

// click is one of them: its largest |sample|.
type click struct {
	frame   int64
	channel int // −1: all
	value   float64
}

const (
	clickReach  = 20   // grains on either side
	clickBeside = 2    // grains nearer than this belong to it
	clickRatio  = 16   // 12 dB over the loudest grain beside it
	leastClick  = 1e-5 // −100 dBFS
	mostClicks  = 1000 // that are kept
	clickEdge   = 3    // grains at an end of a piece that count for none
)

// clickGrain is a millisecond of a channel.
type clickGrain struct {
	frame   int64 // of the largest |sample| of the difference
	largest float64
	xx, ee  float64
	edge    bool
}

type clickFinder struct {
	grains [2*clickReach + 1]clickGrain // a ring
	next   int                          // index of the oldest
	seen   int                          // grains since the beginning of the piece
}

func newClicks(rate, channels int) *clicks {
	return &clicks{grain: grainFrames(rate), channels: make([]clickFinder, channels)}
}

// restart begins a piece. Up to then, what is still in the rings is looked at.
func (c *clicks) restart() {
	for i := range c.channels {
		f := &c.channels[i]
		if f.seen > 0 {
			for k := 1; k <= clickEdge; k++ {
				f.grains[(f.next-k+len(f.grains))%len(f.grains)].edge = true
			}
			for range clickReach {
				c.push(i, clickGrain{edge: true})
			}
		}
		*f = clickFinder{}
	}
}

// add takes the next millisecond of a channel, from a frame of A on, and the samples of the
// difference. What is shorter, at the end of a piece, is none.
func (c *clicks) add(channel int, from int64, d *vector.Difference, e []float64) {
	if len(e) < c.grain {
		return
	}
	f := &c.channels[channel]
	g := clickGrain{largest: d.MostE, xx: d.XX, ee: d.EE, edge: f.seen < clickEdge}
	if before := (f.next - clickBeside + len(f.grains)) % len(f.grains); g.ee >= clickRatio*f.grains[before].ee { // else it is no click
		g.frame = from + int64(largestAt(e, g.largest))
	}
	f.seen++
	c.push(channel, g)
}

// push takes the next grain in and looks at the one in the middle.
func (c *clicks) push(channel int, g clickGrain) {
	f := &c.channels[channel]
	f.grains[f.next] = g
	if f.next++; f.next == len(f.grains) {
		f.next = 0
	}
	at := func(k int) *clickGrain { return &f.grains[(f.next+clickReach+k)%len(f.grains)] }
	middle := at(0)
	if middle.largest < leastClick || middle.edge || middle.ee < at(1).ee || middle.ee <= at(-1).ee {
		return
	}
	beside, ee, xx := 0.0, 0.0, 0.0
	for k := clickBeside; k <= clickReach; k++ {
		for _, side := range []*clickGrain{at(k), at(-k)} {
			beside = max(beside, side.ee)
			ee, xx = ee+side.ee, xx+side.xx
		}
	}
	if middle.ee < clickRatio*beside || middle.ee*xx < clickRatio*ee*middle.xx {
		return
	}
	if len(c.found) < mostClicks {
		c.found = append(c.found, click{middle.frame, channel, middle.largest})
	}
}

// clickDifferences are the clicks: one value for all of them, which is the largest.
func (c *Comparison) clickDifferences() []Difference {
	largest, count := click{}, int64(0)
	seen := map[int64]int{} // channels by millisecond
	for _, k := range c.clicks.all() {
		if c.totals.inDropout(k.frame) || c.besideEdit(k.frame) {
			continue
		}
		at := k.frame / int64(c.clicks.grain)
		if seen[at]++; seen[at] == 1 {
			count++
		}
		if k.value > largest.value {
			largest = k
		}
	}
	if count == 0 {
		return nil
	}
	d := c.difference(Click, dsp.AmplitudeToDB(largest.value), "dBFS")
	d.Frame, d.Count, d.Channel = largest.frame, count, largest.channel
	if c.Channels == 1 || seen[largest.frame/int64(c.clicks.grain)] == c.Channels {
		d.Channel = -1
	}
	return []Difference{d}
}

// besideEdit reports whether a frame lies so near to a cut or an insertion that a late
// channel's sound there is that of its other side.
func (c *Comparison) besideEdit(frame int64) bool {
	if c.place.lags == nil {
		return false
	}
	margin := int64(clickEdge * c.clicks.grain)
	for _, lag := range c.place.lags {
		margin = max(margin, int64(clickEdge*c.clicks.grain)+int64(math.Abs(lag)))
	}
	for _, q := range c.place.pieces[1:] {
		if absolute(frame-q.from) <= margin {
			return true
		}
	}
	return len(c.place.pieces) > 1 && absolute(frame-c.place.pieces[0].to) <= margin
}

// all are the clicks up to the end.
func (c *clicks) all() []click {
	c.restart()
	return c.found
}
