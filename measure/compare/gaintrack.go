package compare

import (
	"cmp"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
)

// gainTrack follows the gain of B against A over time, to find where it changes: at once,
// or little by little. It keeps a bounded number of windows: when they are too many, two
// become one.
type gainTrack struct {
	length  int // frames of a window: whole milliseconds
	grain   int // that before any two became one
	running gainWindow
	frames  int          // in it
	sums    [][2]float64 // of A and B in it, by channel
	windows []gainWindow
}

// gainWindow holds the sums of A squared and of A times B over a window, without their
// means: an offset is no change of level.
type gainWindow struct {
	frame  int64
	xx, xy float64
}

const (
	trackMs        = 20
	trackedWindows = 1 << 14 // five minutes of 20 ms
	trackWithin    = 30      // dB: windows further under the loudest one hold as much noise as gain
	leastWindows   = 10      // of a segment: 0.2 s, shorter is a dropout or a click
	mostSteps      = 4       // more are a gain that moves
	leastStepDB    = 0.1     // as between channels
	// trackLeft is how much of the spread of the gain steps or a line may leave: a gain
	// that moves with programme, as a compressor's, leaves more.
	trackLeft = 0.05
	// sharpShare is how much of a step lies between the windows beside it; less is a fade.
	sharpShare = 0.8
)

func newGainTrack(rate, channels int) *gainTrack {
	length := trackMs * grainFrames(rate)
	return &gainTrack{length: length, grain: length, sums: make([][2]float64, channels)}
}

// add takes the next millisecond of a channel of A and B, on one level, from a frame of A on.
func (g *gainTrack) add(channel int, from int64, d *vector.Difference) {
	if g.frames == 0 && channel == 0 {
		g.running = gainWindow{frame: from}
		clear(g.sums)
	}
	g.running.xx, g.running.xy = g.running.xx+d.XX, g.running.xy+d.XY
	g.sums[channel][0], g.sums[channel][1] = g.sums[channel][0]+d.X, g.sums[channel][1]+d.Y
}

// advance ends a millisecond of all channels.
func (g *gainTrack) advance(frames int) {
	if g.frames += frames; g.frames < g.length {
		return
	}
	for _, s := range g.sums {
		g.running.xx -= s[0] * s[0] / float64(g.frames)
		g.running.xy -= s[0] * s[1] / float64(g.frames)
	}
	g.windows, g.frames = append(g.windows, g.running), 0
	if len(g.windows) == trackedWindows {
		g.halve()
	}
}

func (g *gainTrack) restart() { g.frames = 0 }

// halve makes one window of two.
func (g *gainTrack) halve() {
	for i := range g.windows[:len(g.windows)/2] {
		a, b := g.windows[2*i], g.windows[2*i+1]
		g.windows[i] = gainWindow{a.frame, a.xx + b.xx, a.xy + b.xy}
	}
	g.windows = g.windows[:len(g.windows)/2]
	g.length *= 2
}

// gainPoint is a window's gain in dB.
type gainPoint struct {
	frame int64
	db    float64
}

// points are the gains of the windows that are loud enough, without those that skip
// leaves out.
func (g *gainTrack) points(skip func(frame int64) bool) (points []gainPoint) {
	loudest := 0.0
	for _, w := range g.windows {
		loudest = max(loudest, w.xx)
	}
	for _, w := range g.windows {
		if w.xx < loudest*dsp.DBToPower(-trackWithin) || w.xy <= 0 || skip(w.frame) || skip(w.frame+int64(g.length)) {
			continue
		}
		points = append(points, gainPoint{w.frame, dsp.AmplitudeToDB(w.xy / w.xx)})
	}
	return points
}

// segment is a run of points with about one gain.
type segment struct {
	from, to int // indices
	mean     float64
	spread   float64 // sum of squares about the mean
}

func segmentOf(points []gainPoint, from, to int) segment {
	s := segment{from: from, to: to}
	for _, p := range points[from:to] {
		s.mean += p.db
	}
	s.mean /= float64(to - from)
	for _, p := range points[from:to] {
		s.spread += (p.db - s.mean) * (p.db - s.mean)
	}
	return s
}

// split is where a segment falls into two that leave the smallest spread.
func (s segment) split(points []gainPoint) (left, right segment, found bool) {
	if s.to-s.from < 2*leastWindows {
		return left, right, false
	}
	sum, all := 0.0, s.mean*float64(s.to-s.from)
	most, at := 0.0, 0
	for i := s.from; i < s.to-leastWindows; i++ {
		sum += points[i].db
		n := float64(i + 1 - s.from)
		if i+1-s.from < leastWindows {
			continue
		}
		m := float64(s.to-s.from) - n
		between := n * m / (n + m) * (sum/n - (all-sum)/m) * (sum/n - (all-sum)/m)
		if between > most {
			most, at = between, i+1
		}
	}
	if at == 0 {
		return left, right, false
	}
	return segmentOf(points, s.from, at), segmentOf(points, at, s.to), true
}

// segments are stretches of one gain each, nil if the gain is the same all over, or
// moves in another way.
func segments(points []gainPoint) []segment {
	if len(points) < 2*leastWindows {
		return nil
	}
	whole := segmentOf(points, 0, len(points))
	all := []segment{whole}
	for range mostSteps {
		best, gain := -1, 0.0
		var left, right segment
		for i, s := range all {
			if l, r, found := s.split(points); found && s.spread-l.spread-r.spread > gain {
				best, gain, left, right = i, s.spread-l.spread-r.spread, l, r
			}
		}
		if best < 0 {
			return nil
		}
		all = slices.Replace(all, best, best+1, left, right)
		rest, smallest := 0.0, math.Inf(1)
		for i, s := range all {
			rest += s.spread
			if i > 0 {
				smallest = min(smallest, math.Abs(s.mean-all[i-1].mean))
			}
		}
		if smallest < leastStepDB {
			return nil
		}
		if rest <= trackLeft*whole.spread {
			return all
		}
	}
	return nil
}

// levelChanges are the steps of the level, each against what was before, or a fade.
func (c *Comparison) levelChanges(points []gainPoint) (all []Difference) {
	parts := segments(points)
	if d, found := c.fade(points, parts); found {
		return []Difference{d}
	}
	for i := 1; i < len(parts); i++ {
		d := c.difference(LevelStep, parts[i].mean-parts[i-1].mean, "dB")
		d.Frame = points[parts[i].from].frame
		all = append(all, d)
	}
	return all
}

// levelAtFirst is the level at the beginning, before the first change.
func (c *Comparison) levelAtFirst(points []gainPoint, change Difference) []Difference {
	n := 1
	for n < len(points) && points[n].frame < change.Frame {
		n++
	}
	points = points[:n]
	slices.SortFunc(points, func(p, q gainPoint) int { return cmp.Compare(p.db, q.db) })
	db := dsp.AmplitudeToDB(math.Abs(c.gain)) + points[len(points)/2].db
	if math.Abs(db) < leastGainDB {
		return nil
	}
	d := c.difference(Level, db, "dB")
	d.Frames = change.Frame
	return []Difference{d}
}

// points are the gains over time, without the changes that are reported by name.
func (c *Comparison) points() []gainPoint {
	return c.track.points(func(frame int64) bool { return c.totals.inDropout(frame) || c.besideEdit(frame) })
}

// fade finds a gain that moves little by little from one level to another: its points
// rise or fall all the way, in dB or in amplitude, and do not jump.
func (c *Comparison) fade(points []gainPoint, parts []segment) (d Difference, found bool) {
	if len(points) < 3*leastWindows {
		return d, false
	}
	sharp := len(parts) > 0
	for i := 1; i < len(parts); i++ {
		at := parts[i].from
		step := parts[i].mean - parts[i-1].mean
		jump := points[min(at+1, len(points)-1)].db - points[at-2].db
		sharp = sharp && jump/step >= sharpShare
	}
	if sharp {
		return d, false
	}
	// Medians of five follow it; the rest must be small, and all of one direction.
	smooth := make([]float64, 0, len(points)-4)
	five := make([]float64, 5)
	for i := 2; i+2 < len(points); i++ {
		for k := range five {
			five[k] = points[i-2+k].db
		}
		slices.Sort(five)
		smooth = append(smooth, five[2])
	}
	first, last := smooth[0], smooth[len(smooth)-1]
	total, travelled, rough := last-first, 0.0, 0.0
	for i, v := range smooth {
		if i > 0 {
			travelled += math.Abs(v - smooth[i-1])
		}
		rough += math.Abs(points[i+2].db - v)
	}
	if math.Abs(total) < 2*leastStepDB || travelled > 1.1*math.Abs(total) || rough/float64(len(smooth)) > trackLeft*math.Abs(total) {
		return d, false
	}
	begin, end := 0, len(smooth)-1
	for begin < end && math.Abs(smooth[begin]-first) < 0.02*math.Abs(total) {
		begin++
	}
	for end > begin && math.Abs(smooth[end]-last) < 0.02*math.Abs(total) {
		end--
	}
	d = c.difference(Fade, total, "dB")
	d.Frame = points[begin+2].frame
	d.Frames = points[end+2].frame + int64(c.track.length) - d.Frame
	return d, true
}
