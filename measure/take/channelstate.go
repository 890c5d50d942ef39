package take

import (
	"fmt"
	"math"
	"math/bits"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// channelState is what is counted of one channel.
type channelState struct {
	channel        int
	bitsOfFile     int // of integers, 0 for floating point
	frames         int64
	sum, power     float64
	largest, least float64
	used           uint32 // bits that any sample used, at the top of 32

	previous  float64
	rise      float64 // |difference| from the value before to previous
	run       int64   // frames in a row with the value of previous
	runFrom   int64
	shortest  int64 // of zeros that are a dropout
	overs     int64 // samples over full scale (floating point)
	firstOver int64
}

func newChannelState(channel int, f wave.Format) channelState {
	c := channelState{channel: channel, shortest: max(2, int64(f.Rate)/1000), firstOver: -1}
	if f.Encoding == wave.Integer {
		c.bitsOfFile = f.Bits
	}
	return c
}

func (c *channelState) write(x []float64, frame int64, events *eventList) {
	for n, v := range x {
		if v-v != 0 {
			continue // the take is refused on its account
		}
		c.sum += v
		c.power += v * v
		c.largest, c.least = max(c.largest, v), min(c.least, v)
		if c.bitsOfFile > 0 {
			c.used |= uint32(int32(v * (1 << 31)))
		}
		if math.Abs(v) > 1 {
			if c.overs++; c.firstOver < 0 {
				c.firstOver = frame + int64(n)
			}
		}
		if v == c.previous {
			if c.run++; c.run == 1 {
				c.runFrom = frame + int64(n)
			}
			continue
		}
		step := math.Abs(v - c.previous)
		c.endRun(events, step)
		c.previous, c.rise, c.run, c.runFrom = v, step, 1, frame+int64(n)
	}
	c.frames += int64(len(x))
}

// endRun looks at a run of equal samples: zeros are a dropout if they are long
// enough, three or more others a flat top, which is a clip at full scale. Of a low
// frequency samples are equal by their rounding: a flat top is left by more than that.
func (c *channelState) endRun(events *eventList, fall float64) {
	level := math.Abs(c.previous)
	add := func(kind string) {
		events.add(Event{kind, c.runFrom, c.run, c.channel, dsp.AmplitudeToDB(level)})
	}
	switch {
	case level == 0 && c.run >= c.shortest && c.runFrom > 0:
		add("dropout")
	case c.run >= 3 && level >= min(clipLeast, 1-1.5/float64(int64(1)<<(max(8, c.bitsOfFile)-1))):
		add("clip")
	case c.run >= 3 && level > flatTopLeast && min(c.rise, fall) > c.roundingStep():
		add("flat top")
	}
}

// roundingStep is the largest step that rounding alone is taken to leave at the ends
// of a run: four of an integer file's lowest bits. Three samples that round to one
// value lie within one bit, and their slope goes on to the next by 2 or 3 bits.
// Floating point has no such runs.
func (c *channelState) roundingStep() float64 {
	if c.bitsOfFile == 0 {
		return 0
	}
	return 4 * math.Exp2(1-float64(c.bitsOfFile))
}

// flatTopLeast is the level over which three equal samples in a row are taken
// for a flattened peak: −20 dBFS. In softer sound they happen by themselves.
// (common practice, no source)
const flatTopLeast = 0.1

// clipLeast is the level from which on it is clipping at full scale: −0.01 dBFS, since
// converters and programs hold a little back. (common practice, no source)
const clipLeast = 0.99885

func (c *channelState) finish(events *eventList) {
	if c.previous != 0 { // zeros at the end are no dropout
		c.endRun(events, math.Inf(1))
	}
}

func (c *channelState) report(r *report) {
	mean, rms := c.sum/float64(c.frames), math.Sqrt(c.power/float64(c.frames))
	one := func(name string, reading measure.Reading) { r.addFor(c.channel, name, reading) }
	if c.largest == 0 && c.least == 0 {
		one("dc_dbfs", measure.Reading{Unit: "dBFS", Reason: "the channel is silent"})
		r.find(measure.Fault, -1, c.channel, "the channel is silent", "check the cable and the routing")
		return
	}
	dc := measure.Reading{Value: dsp.AmplitudeToDB(mean), Unit: "dBFS", Reference: "digital full scale, constant", Definition: "mean of the samples"}
	if mean == 0 {
		dc = measure.Reading{Unit: "dBFS", Reason: "the mean is exactly 0"}
	}
	one("dc_dbfs", dc)
	if math.Abs(mean) > 0.01 { // −40 dBFS (common practice, no source)
		r.find(measure.Fault, -1, c.channel, fmt.Sprintf("a constant offset of %.1f dBFS", dc.Value), "high-pass it; check the converter")
	}
	peak := max(c.largest, -c.least)
	one("crest_factor_db", measure.Reading{Value: dsp.AmplitudeToDB(peak / rms), Unit: "dB", Reference: "rms", Definition: "sample peak over rms"})
	if c.largest > 0 && c.least < 0 {
		one("asymmetry_db", measure.Reading{Value: dsp.AmplitudeToDB(c.largest / -c.least), Unit: "dB", Reference: "the negative peak", Definition: "positive peak over negative peak"})
	}
	if c.overs > 0 {
		r.find(measure.Doubt, c.firstOver, c.channel, fmt.Sprintf("%d samples are over full scale", c.overs), "lower the level before it becomes integers")
	}
	if c.bitsOfFile > 0 {
		used := 32 - bits.TrailingZeros32(c.used)
		one("used_bits", measure.Reading{Value: float64(used), Unit: "bit", Reference: fmt.Sprintf("of %d", c.bitsOfFile), Definition: "down to the lowest bit that any sample uses"})
		if used < c.bitsOfFile {
			r.find(measure.Note, -1, c.channel, fmt.Sprintf("only %d of %d bits are used", used, c.bitsOfFile), "the source had fewer bits, or it was made louder or softer digitally")
		}
	}
}

// eventList keeps the longest events and counts all of them.
type eventList struct {
	kept   []Event
	counts map[string]int64
	first  map[string]Event
}

// mostEvents bounds what is kept of a broken file.
const mostEvents = 200

func (l *eventList) add(e Event) {
	if l.counts == nil {
		l.counts, l.first = map[string]int64{}, map[string]Event{}
	}
	if l.counts[e.Kind]++; l.counts[e.Kind] == 1 {
		l.first[e.Kind] = e
	}
	l.kept = append(l.kept, e)
	if len(l.kept) > 2*mostEvents {
		slices.SortStableFunc(l.kept, func(a, b Event) int { return int(b.Frames - a.Frames) })
		l.kept = l.kept[:mostEvents]
	}
}

// sorted returns the longest events in order of time.
func (l *eventList) sorted() []Event {
	slices.SortStableFunc(l.kept, func(a, b Event) int { return int(b.Frames - a.Frames) })
	kept := slices.Clone(l.kept[:min(len(l.kept), mostEvents)])
	slices.SortStableFunc(kept, func(a, b Event) int {
		if a.Frame != b.Frame {
			return int(max(-1, min(1, a.Frame-b.Frame)))
		}
		return a.Channel - b.Channel
	})
	return kept
}

func (l *eventList) report(r *report) {
	for _, kind := range []struct {
		name     string
		severity measure.Severity
		do       string
	}{
		{"clip", measure.Fault, "record again with less gain: what was above is lost"},
		{"flat top", measure.Doubt, "it may have been clipped before it was turned down"},
		{"dropout", measure.Doubt, "look at it: exact zeros inside sound are an edit or a lost buffer"},
	} {
		n := l.counts[kind.name]
		r.add(map[string]string{"clip": "clips", "flat top": "flat_tops", "dropout": "dropouts"}[kind.name],
			measure.Reading{Value: float64(n), Unit: "events", Definition: "runs of 3 equal samples or more at full scale, above -20 dBFS below it; zeros of 1 ms or more (common practice, no source)"})
		if n > 0 {
			first := l.first[kind.name]
			word := kind.name + "s"
			if n == 1 {
				word = kind.name
			}
			r.find(kind.severity, first.Frame, first.Channel, fmt.Sprintf("%d %s", n, word), kind.do)
		}
	}
}
