package compare

import (
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/measure/internal/polarity"
)

// turnTrack follows the polarity of one channel of B against A's, to find where it changes.
// An inverted part is a fault of its own: it is reported, and not taken out.
type turnTrack struct {
	polarity.Turns
	from           int64
	frames         int
	xx, yy, xy, xs float64
	ys             float64
}

// add takes the next millisecond of A and B, whose gain has been taken out, from a frame of
// A on.
func (t *turnTrack) add(from int64, d *vector.Difference, gain float64, frames, length int) {
	if t.frames == 0 || from != t.from+int64(t.frames) { // or behind a cut
		t.from, t.frames, t.xx, t.yy, t.xy, t.xs, t.ys = from, 0, 0, 0, 0, 0, 0
	}
	t.xx, t.yy, t.xy, t.xs, t.ys = t.xx+d.XX, t.yy+d.YY, t.xy+math.Copysign(d.XY, d.XY*gain), t.xs+d.X, t.ys+d.Y
	if t.frames += frames; t.frames < length {
		return
	}
	n := float64(t.frames) // an offset is no polarity
	t.Add(t.from, t.from+int64(t.frames), t.xx-t.xs*t.xs/n, t.yy-t.ys*t.ys/n, t.xy-t.xs*t.ys/n)
	t.frames = 0
}

// turnedDifferences are the parts of A in which B is inverted, where it is not everywhere:
// of each channel, unless all are inverted in the same parts.
func (c *Comparison) turnedDifferences() (all []Difference) {
	if c.turns == nil || c.unaligned != nil && c.delayOf(*c.unaligned) != 0 {
		return nil
	}
	turns := make([]*polarity.Turns, len(c.turns))
	for i := range c.turns {
		turns[i] = &c.turns[i].Turns
	}
	for _, p := range polarity.Parts(turns, c.To) {
		d := c.difference(PartInverted, 0, "")
		d.Channel, d.Frame, d.Frames, d.Within, d.Count = p.Channel, p.From, p.To-p.From, p.Within(), int64(p.Count)
		all = append(all, d)
	}
	return all
}

// beside are the inverted parts, and what can be said beside them: the level, and what the
// parts leave in the difference. A response cannot be read across them.
func (c *Comparison) beside(turned []Difference) (all []Difference) {
	if c.channelsDiffer() {
		all = slices.DeleteFunc(c.channelDifferences(), func(d Difference) bool { return d.Kind == Polarity })
	} else {
		all = c.levelDifference()
	}
	all = append(all, turned...)
	db, _, _ := c.rest(false)
	return append(all, c.difference(Rest, db, "dBFS"))
}
