package compare

import (
	"math"
	"sort"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

const (
	lagWindows = 6
	lagFrames  = 8192
	leastLag   = 0.5  // frames: a filter on one channel shifts as much
	noLag      = 0.98 // correlation from which on a channel lies where it is looked for
)

// findLags finds by how many frames each channel of B is later than the place, which
// is that of one channel, and moves the place to where most channels are. It reports whether
// all channels agree there with those of A.
func (c *Comparison) findLags(p *placement, a, b func() (wave.Source, error), pa, pb *profile, reference int, e emphasis) (agree bool, err error) {
	longest := p.longest(c.FramesA, c.FramesB)
	lags := make([]float64, c.Channels)
	found, agree := false, true
	c.known = make([]bool, c.Channels)
	c.known[reference] = true
	for channel := range lags {
		if channel == reference {
			continue
		}
		lag, ok, alike, err := c.lagOf(channel, longest, aligner{short: a, long: b, shortP: pa, longP: pb, channel: channel, rate: c.Rate, emphasis: e})
		if err != nil {
			return false, err
		}
		agree = agree && alike
		if ok {
			lags[channel], found = lag, true
		}
	}
	if !found {
		return agree, nil
	}
	// Most channels are in their place; of two, the one that has moved less.
	common, most := 0.0, 0
	for _, lag := range lags {
		count := 0
		for _, other := range lags {
			if math.Abs(other-lag) < leastLag {
				count++
			}
		}
		if count > most || count == most && math.Abs(p.Delay+lag) < math.Abs(p.Delay+common) {
			common, most = lag, count
		}
	}
	for channel := range lags {
		lags[channel] -= common
	}
	p.Delay += common
	for i := range p.pieces {
		p.pieces[i].Delay += common
	}
	p.lags = lags
	return agree, nil
}

// longest is the longest piece of a placement.
func (p placement) longest(framesA, framesB int64) piece {
	p.pieces = append([]piece(nil), p.pieces...)
	p.settlePieces(framesA, framesB)
	longest := p.pieces[0]
	for _, q := range p.pieces {
		if q.to-q.from > longest.to-longest.from {
			longest = q
		}
	}
	return longest
}

// lagOf is by how many frames a channel of B is later than a piece has it, if it is, and
// whether it is A's channel without any doubt.
func (c *Comparison) lagOf(channel int, q piece, g aligner) (lag float64, found, alike bool, err error) {
	frames := int(min(lagFrames, q.to-q.from))
	if frames < 1024 {
		return 0, false, true, nil
	}
	windows := g.loudWindows(q.from, q.to, frames)
	for len(windows) > lagWindows {
		windows = append(windows[:lagWindows-1], windows[len(windows)-1])
	}
	margin := g.rate / 20
	there := make([]planes.Extent, len(windows))
	for i, w := range windows {
		there[i] = planes.Extent{From: int64(math.Floor(q.At(int(w.From)))) - int64(margin), Frames: frames + 2*margin}
	}
	x, err := planes.Gather(g.short, channel, windows)
	if err != nil {
		return 0, false, true, err
	}
	y, err := planes.Gather(g.long, channel, there)
	if err != nil {
		return 0, false, true, err
	}
	if q.Speed != 1 { // over a window a drift is a part of a frame
		for i, w := range windows {
			first := q.At(int(w.From)) - q.Speed*float64(margin) - float64(there[i].From)
			y[i] = timemap.Map{Delay: first, Speed: q.Speed}.Resample(y[i], 0, frames+2*margin)
		}
	}
	inPlace := 0
	for i := range windows {
		if correlation(g.emphasis.of(x[i])[1:], g.emphasis.of(y[i][margin : margin+frames])[1:]) >= noLag {
			inPlace++
		}
	}
	c.known[channel] = 2*inPlace > len(windows)
	if inPlace > 0 {
		return 0, false, inPlace == len(windows), nil
	}
	var lags []float64
	for i := range windows {
		at, r := delayNear(x[i], y[i], float64(margin), g.emphasis)
		if math.Abs(r) >= leastWindow {
			lag := at - float64(margin)
			if first := q.At(int(windows[i].From)); q.Speed == 1 {
				lag -= first - math.Floor(first)
			}
			lags = append(lags, lag)
		}
	}
	if len(lags) == 0 || 2*len(lags) < len(windows) {
		return 0, false, false, nil
	}
	sort.Float64s(lags)
	lag = lags[len(lags)/2]
	agree := 0
	for _, l := range lags {
		if math.Abs(l-lag) < leastLag {
			agree++
		}
	}
	c.known[channel] = 2*agree > len(lags)
	if math.Abs(lag) < leastLag || !c.known[channel] {
		return 0, false, false, nil
	}
	// Whole frames, unless the fraction explains most of what differs: it may be the
	// phase of a filter.
	whole := math.Round(lag)
	var unlikeWhole, unlikeLag float64
	for i := range windows {
		from := max(0, min(2*margin, margin+int(whole)))
		unlikeWhole += 1 - correlation(g.emphasis.of(x[i])[1:], g.emphasis.of(y[i][from : from+frames])[1:])
		_, r := delayNear(x[i], y[i], float64(margin)+lag, g.emphasis)
		unlikeLag += 1 - math.Abs(r)
	}
	if unlikeWhole < 8*unlikeLag {
		lag = whole
	}
	return lag, true, true, nil
}

// correlation is the magnitude of the correlation of two sounds, 0 to 1.
func correlation(x, y []float64) float64 {
	var xx, yy, xy float64
	for k, v := range x {
		xx, yy, xy = xx+v*v, yy+y[k]*y[k], xy+v*y[k]
	}
	if xx == 0 || yy == 0 {
		return 0
	}
	return math.Abs(xy) / math.Sqrt(xx*yy)
}
