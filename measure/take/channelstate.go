package take

import (
	"fmt"
	"math"
	"math/bits"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// channelState is the count of one channel. It surveys the sound in cells of at most a
// millisecond, and looks at single samples only where the survey gives reason to.
type channelState struct {
	channel        int
	bitsOfFile     int // of integers, 0 for floating point
	frames         int64
	sum, power     float64
	largest, least float64
	peakFrame      int64  // where its largest magnitude is
	used           uint32 // bits that any sample used, in the upper bits of 32
	unquantised    bool   // a sample needed more than 32 bits

	x       []float64                    // sound that was surveyed, then sound that was not
	next    int                          // in x, of the first sample that was not surveyed
	weights [vector.MostSurveyed]float64 // of the last differences of a cell, in moving
	keep    [vector.MostSurveyed + 1]float64

	previous          float64
	rise              float64 // difference from the value before to previous
	run               int64   // frames in a row with the value of previous
	runFrom           int64
	moving            float64 // running mean of |difference|, over about 2 ms
	forget            float64 // its coefficient
	shortest, longest int64   // of equal samples that are a dropout
	leastOffset       int64   // frames, the fewest whose mean is an offset: two periods of 20 Hz
	flat              flatTops
	gaps              filledGaps
	known             []Event // flat tops by equal samples
	rounded           []roundedTop
	overs             int64 // samples over full scale (floating point)
	firstOver         int64
}

// surveyedKept is the number of surveyed frames of x that are kept: two cells, and the
// reach of the search for flat tops on both sides.
const surveyedKept = 4 * flatReach

func newChannelState(channel int, f wave.Format) channelState {
	c := channelState{
		channel: channel, shortest: max(leastDropoutFrames, int64(f.Rate)/1000), longest: int64(f.Rate) * mostDropoutMs / 1000, forget: 1 / max(4, 0.002*float64(f.Rate)),
		leastOffset: max(101, int64(f.Rate)/10), firstOver: -1, flat: flatTops{channel: channel}, gaps: newFilledGaps(channel, f.Rate),
		x: []float64{0}, next: 1, // the sample before the first is 0
	}
	if f.Encoding == wave.Integer {
		c.bitsOfFile = f.Bits
	}
	c.keep[0] = 1
	for n := range c.weights {
		c.keep[n+1] = c.keep[n] * (1 - c.forget)
		c.weights[len(c.weights)-1-n] = c.forget * c.keep[n]
	}
	return c
}

func (c *channelState) write(x []float64, events *eventList) {
	c.x = append(c.x, x...)
	for {
		cell := min(c.gaps.missing(), vector.MostSurveyed)
		if len(c.x)-c.next < cell {
			break
		}
		c.cell(cell, events)
	}
	first := c.frames - int64(c.next)
	c.flat.look(c.x, first)
	if drop := c.next - surveyedKept; drop >= surveyedDropped {
		c.x = append(c.x[:0], c.x[drop:]...)
		c.next -= drop
	}
}

// surveyedDropped is how many frames are dropped from x at a time.
const surveyedDropped = 4096

// cell surveys a number of frames from next on. Samples that are not finite do no harm,
// since such a take is refused anyway.
func (c *channelState) cell(frames int, events *eventList) {
	x := c.x[c.next-1 : c.next+frames]
	s := vector.SurveyOf(x, c.weights[len(c.weights)-frames:])
	c.sum += s.Sum
	c.power += s.Squares
	if most := max(s.Most, -s.Least); most > max(c.largest, -c.least) {
		c.peakFrame = c.frames + int64(slices.IndexFunc(x[1:], func(v float64) bool { return math.Abs(v) == most }))
	}
	if s.Most > c.largest {
		c.largest = s.Most
	}
	if s.Least < c.least {
		c.least = s.Least
	}
	if !c.unquantised {
		if c.used |= s.Used; !s.Whole {
			c.useBits(x[1:])
		}
	}
	if s.Most > 1 || s.Least < -1 {
		c.overFullScale(x[1:])
	}
	if s.Equal == 0 && c.run < min(3, c.shortest) {
		c.previous, c.rise = x[frames], x[frames]-x[frames-1]
		c.moving = float64(c.keep[frames]*c.moving) + s.Moves
		c.run, c.runFrom = 1, c.frames+int64(frames)-1
	} else {
		c.runs(x[1:], c.frames, events)
	}
	c.gaps.add(s.Steps, frames)
	if peak := -s.Least; s.Most > peak {
		c.flat.expect(c.frames, frames, s.Most)
	} else {
		c.flat.expect(c.frames, frames, peak)
	}
	c.next += frames
	c.frames += int64(frames)
}

func (c *channelState) overFullScale(x []float64) {
	for n, v := range x {
		if v-v == 0 && math.Abs(v) > 1 {
			if c.overs++; c.firstOver < 0 {
				c.firstOver = c.frames + int64(n)
			}
		}
	}
}

// useBits records the bits that the samples use, or that 32 are not enough.
func (c *channelState) useBits(x []float64) {
	used := c.used
	for _, v := range x {
		scaled := v * (1 << 31)
		whole := int64(scaled)
		if float64(whole) != scaled || whole > 1<<40 || whole < -1<<40 {
			if v-v == 0 {
				c.unquantised = true
				break
			}
			continue
		}
		used |= uint32(whole)
	}
	c.used = used
}

// runs looks for samples that stay equal, one after the other.
func (c *channelState) runs(x []float64, frame int64, events *eventList) {
	previous, rise, moving, run := c.previous, c.rise, c.moving, c.run
	forget, keep, least := c.forget, 1-c.forget, min(3, c.shortest)
	for n, v := range x {
		if v-v != 0 {
			continue
		}
		if v == previous {
			if run++; run == 1 {
				c.runFrom = frame + int64(n)
			}
			continue
		}
		if run >= least {
			c.previous, c.rise, c.moving, c.run = previous, rise, moving, run
			c.endRun(events, v)
		}
		rise = v - previous
		moving = keep*moving + forget*math.Abs(rise)
		previous, run, c.runFrom = v, 1, frame+int64(n)
	}
	c.previous, c.rise, c.moving, c.run = previous, rise, moving, run
}

// endRun judges a run of equal samples. A millisecond and more within moving sound is a
// dropout, whether the value is 0 or another one that was held. To separate it from soft
// sound in few bits, which also rests, the step at one of its ends must exceed rounding.
// Three or more other samples are a flat top, which is a clip at full scale. At a low
// frequency, samples are equal by rounding: a flat top is left by more than that. A flat
// top is a peak: the sound rises to it and falls from it.
func (c *channelState) endRun(events *eventList, next float64) {
	if c.run < min(3, c.shortest) {
		return
	}
	level, outward := math.Abs(c.previous), math.Copysign(1, c.previous)
	rise, fall := outward*c.rise, outward*(c.previous-next)
	add := func(kind string) {
		e := Event{kind, c.runFrom, c.run, c.channel, dsp.AmplitudeToDB(level)}
		events.add(e)
		if kind != "dropout" && len(c.known) < mostFlatTops {
			c.known = append(c.known, e)
		}
	}
	bits := c.bits()
	if bits == 0 {
		bits = 24
	}
	moves := c.moving > c.roundingStep() && c.runFrom > 0
	atPeak := c.previous >= heldBelowPeak*c.largest && c.previous > 0 || c.previous <= heldBelowPeak*c.least && c.previous < 0
	switch {
	case c.run >= c.shortest && !atPeak:
		edge := max(math.Abs(c.rise), math.Abs(next-c.previous))
		if moves && c.run <= c.longest && edge > c.roundingStep() {
			add("dropout")
		}
	case c.run >= 3 && level >= min(clipLeast, 1-1.5/float64(int64(1)<<(max(8, bits)-1))):
		add("clip")
	case c.run >= 3 && level > flatTopLeast && min(rise, fall) > c.roundingStep():
		if c.unquantised || c.run > mostByRounding {
			add("flat top")
		} else if len(c.rounded) < mostFlatTops {
			c.rounded = append(c.rounded, roundedTop{c.previous, Event{"flat top", c.runFrom, c.run, c.channel, dsp.AmplitudeToDB(level)}})
		}
	}
}

// roundedTop is a run of few equal samples at a peak, and their value.
type roundedTop struct {
	value float64
	Event
}

// Peaks of speech that a coarse quantiser rounds hold up to five equal samples by chance,
// each at a value of its own. Clipping stops many peaks at one value. (own choice: of 12
// takes rounded to 8 to 16 bits the longest such run was 5 samples; up to 11 a take lay at
// 11 values)
const mostByRounding, leastAtOneValue = 6, 3

// addRounded adds the short runs of which several lie at one value, within a step.
func (c *channelState) addRounded(events *eventList) {
	step := math.Exp2(1 - float64(max(1, c.bits())))
	at := map[int64]int{}
	for _, top := range c.rounded {
		at[int64(math.Round(top.value/step))]++
	}
	for _, top := range c.rounded {
		if k := int64(math.Round(top.value / step)); at[k-1]+at[k]+at[k+1] >= leastAtOneValue {
			events.add(top.Event)
			c.known = append(c.known, top.Event)
		}
	}
	slices.SortStableFunc(c.known, func(a, b Event) int { return int(max(-1, min(1, a.Frame-b.Frame))) })
}

// leastDropoutFrames keeps equal samples that happen by chance at low rates from
// being dropouts.
const leastDropoutFrames = 12

// heldBelowPeak separates held values from clipped peaks: a value that stays for a
// millisecond is held if it is below this share of the largest value so far.
const heldBelowPeak = 0.9

// bits is the number of bits that the samples use so far, 0 if they are not rounded. It
// does not depend on the file's format: the same samples are judged alike.
func (c *channelState) bits() int {
	if c.unquantised {
		return 0
	}
	return 32 - bits.TrailingZeros32(c.used)
}

// roundingStep is the largest step that rounding alone leaves at the ends of a run: four
// of the lowest bits. Three samples that round to one value differ by less than one bit,
// and with their slope the next one differs by 2 or 3 bits. Samples that are not rounded
// have no such runs.
func (c *channelState) roundingStep() float64 {
	if c.unquantised {
		return 0
	}
	return 4 * math.Exp2(1-float64(c.bits()))
}

// flatTopLeast is the level above which three equal samples in a row are a flattened
// peak: −20 dBFS. In softer sound they occur without clipping. (common practice, no
// source)
const flatTopLeast = 0.1

// clipLeast is the level from which on a flat top is clipping at full scale: −0.01 dBFS,
// since some converters and programs stay a little below full scale. (common practice, no
// source)
const clipLeast = 0.99885

func (c *channelState) finish(events *eventList) {
	if rest := len(c.x) - c.next; rest > 0 {
		c.cell(rest, events)
	}
	c.flat.look(c.x, c.frames-int64(c.next))
	if c.run < c.shortest { // a sound that is still at its end has no dropout there
		c.endRun(events, math.Copysign(math.Inf(1), -c.previous))
	}
	c.addRounded(events)
	at := 0
	c.flat.finish(events, func(frame, frames int64) bool {
		for at < len(c.known) && c.known[at].Frame+c.known[at].Frames < frame {
			at++
		}
		return at < len(c.known) && c.known[at].Frame <= frame+frames
	})
}

func (c *channelState) report(r *report) {
	mean, rms := c.sum/float64(c.frames), math.Sqrt(c.power/float64(c.frames))
	one := func(name string, reading measure.Reading) { r.addFor(c.channel, name, reading) }
	if c.largest == 0 && c.least == 0 {
		one("dc_dbfs", measure.Reading{Unit: "dBFS", Reason: "the channel is silent"})
		if c.frames >= c.leastOffset {
			r.find(measure.Fault, -1, c.channel, "the channel is silent", "check the cable and the routing")
		}
		return
	}
	dc := measure.Reading{Value: dsp.AmplitudeToDB(math.Abs(mean)), Unit: "dBFS", Reference: "digital full scale, constant", Definition: "mean of the samples"}
	if mean == 0 {
		dc = measure.Reading{Unit: "dBFS", Reason: "the mean is exactly 0"}
	}
	if c.frames < c.leastOffset {
		dc = measure.Reading{Unit: "dBFS", Reason: fmt.Sprintf("too short: %d frames, %d are needed", c.frames, c.leastOffset)}
	}
	one("dc_dbfs", dc)
	if dc.Measurable() && math.Abs(mean) >= offsetNote {
		severity := measure.Note
		if math.Abs(mean) > offsetFault {
			severity = measure.Fault
		}
		r.find(severity, -1, c.channel, fmt.Sprintf("a constant offset of %.1f dBFS", dc.Value), "high-pass it before anything is cut: each cut would click; check the converter")
	}
	peak := max(c.largest, -c.least)
	one("crest_factor_db", measure.Reading{Value: dsp.AmplitudeToDB(peak / rms), Unit: "dB", Reference: "rms", Definition: "sample peak over rms"})
	if c.largest > 0 && c.least < 0 {
		one("asymmetry_db", measure.Reading{Value: dsp.AmplitudeToDB(c.largest / -c.least), Unit: "dB", Reference: "the negative peak", Definition: "positive peak over negative peak"})
	}
	if c.overs > 0 {
		r.find(measure.Warning, c.firstOver, c.channel, fmt.Sprintf("over full scale: %s", dsp.Plural(c.overs, "sample")), "lower the level before it is written as integers")
	}
	used := measure.Reading{Value: float64(c.bits()), Unit: "bit", Definition: "down to the lowest bit that any sample uses"}
	if c.bitsOfFile > 0 {
		used.Reference = fmt.Sprintf("of %d", c.bitsOfFile)
	}
	if c.unquantised {
		used.Value, used.Reason = 0, "the samples are not rounded to 32 bits or fewer"
	}
	one("used_bits", used)
}

// offsetNote and offsetFault are the constant offsets from which on it is a note and a
// fault: −50 and −40 dBFS. (common practice, no source)
const offsetNote, offsetFault = 0.00316, 0.01

// eventList keeps the longest events and counts all of them.
type eventList struct {
	kept   []Event
	counts map[string]int64
	first  map[string]Event
}

// MostEvents is how many clips, flat tops and dropouts an [Inspection] keeps, and how
// many plosives and sibilants: the longest. It bounds the memory that a broken file takes.
const MostEvents = 200

func (l *eventList) add(e Event) {
	if l.counts == nil {
		l.counts, l.first = map[string]int64{}, map[string]Event{}
	}
	if l.counts[e.Kind]++; l.counts[e.Kind] == 1 {
		l.first[e.Kind] = e
	}
	l.kept = append(l.kept, e)
	if len(l.kept) > 2*MostEvents {
		slices.SortStableFunc(l.kept, func(a, b Event) int { return int(b.Frames - a.Frames) })
		l.kept = l.kept[:MostEvents]
	}
}

// total is how many events there were, kept or not.
func (l *eventList) total() (n int64) {
	for _, count := range l.counts {
		n += count
	}
	return n
}

// sorted returns the longest events in order of time.
func (l *eventList) sorted() []Event {
	slices.SortStableFunc(l.kept, func(a, b Event) int { return int(b.Frames - a.Frames) })
	kept := slices.Clone(l.kept[:min(len(l.kept), MostEvents)])
	slices.SortStableFunc(kept, func(a, b Event) int {
		if a.Frame != b.Frame {
			return int(max(-1, min(1, a.Frame-b.Frame)))
		}
		return a.Channel - b.Channel
	})
	return kept
}

var eventDefinition = fmt.Sprintf("clips: 3 equal samples and more at full scale; flat tops: above %.0f dBFS below it, or a straight piece between two corners at a loud peak; dropouts: 1 to %d ms of zeros, of one value, or %d dB under the noise, inside sound (common practice, no source)",
	dsp.AmplitudeToDB(flatTopLeast), mostDropoutMs, gapUnderNoiseDB)

func (l *eventList) report(r *report) {
	for _, kind := range []struct {
		name     string
		severity measure.Severity
		do       string
	}{
		{"clip", measure.Fault, "record again with less gain: what was above is lost"},
		{"flat top", measure.Warning, "it may have been clipped before it was turned down"},
		{"dropout", measure.Warning, "look at it: sound is missing there, as after a lost buffer"},
	} {
		n := l.counts[kind.name]
		r.add(map[string]string{"clip": "clips", "flat top": "flat_tops", "dropout": "dropouts"}[kind.name],
			measure.Reading{Value: float64(n), Unit: "events", Definition: eventDefinition})
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
