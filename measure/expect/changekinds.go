package expect

import (
	"fmt"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/compare"
	"github.com/boothbench/boothbench/measure/internal/polarity"
)

// The changes that are large enough to be stated; the same as in package compare.
const (
	statedGainDB    = 0.005
	statedChannelDB = 0.1
	statedBandDB    = 0.05
	statedDelay     = 0.02 // frames
	unrelatedBelow  = 0.3  // of correlation; sums of two sounds correlate by 0.1 at most
)

// differences lists how the sound differs, in the order of the kinds of compare.
func (c *change) differences() []compare.Difference {
	rate := c.baseline.RateHz
	one := func(kind compare.Kind, value float64, unit string) compare.Difference {
		return compare.Difference{Kind: kind, Channel: -1, Frame: -1, Value: value, Unit: unit}.AtRate(rate)
	}
	if c.explained() {
		return c.clicks()
	}
	if c.gain == 0 {
		d := one(compare.Silent, 0, "")
		d.Channel = 0
		if c.now.Channels > 1 {
			return []compare.Difference{one(compare.Unrelated, 0, "")}
		}
		return []compare.Difference{d}
	}
	if len(c.turned) > 0 {
		return append(c.turned, one(compare.Rest, dsp.PowerToDB(c.energy/c.samples()), "dBFS"))
	}
	if len(c.splits) > 0 {
		return c.splits
	}
	if c.related < unrelatedBelow && c.levelsFollow() < followingLevels {
		return []compare.Difference{one(compare.Unrelated, c.related, "")}
	}
	var all []compare.Difference
	if math.Abs(c.delay) >= statedDelay {
		all = append(all, one(compare.Delay, c.delay, "frames"))
	}
	if channels := c.channelDifferences(); len(channels) > 0 {
		return append(all, channels...)
	}
	if c.gain < 0 {
		all = append(all, one(compare.Polarity, -1, ""))
	}
	bands, median := c.bandDifferences()
	gain := dsp.AmplitudeToDB(math.Abs(c.gain))
	if len(bands) > 0 {
		gain = median
	}
	if math.Abs(gain) >= statedGainDB {
		all = append(all, one(compare.Level, gain, "dB"))
	}
	all = append(all, bands...)
	if db := dsp.PowerToDB(c.rest / c.samples()); len(bands) == 0 && db > -140 {
		kind := compare.Rest
		if c.steady {
			kind = compare.Steady
		}
		all = append(all, one(kind, db, "dBFS"))
	}
	return all
}

// followingLevels is the least correlation of the levels of two versions of one sound,
// with any filter between them. The levels of two different sounds correlate by 0.4 at
// most if they are seconds long.
const followingLevels = 0.7

// levelsFollow is the correlation of the levels in dB, of the loudest 60 dB.
func (c *change) levelsFollow() float64 {
	n := min(len(c.baseline.Levels), len(c.now.Levels))
	if n < 2 {
		return 0
	}
	x, y := slices.Clone(c.baseline.Levels[:n]), slices.Clone(c.now.Levels[:n])
	for _, levels := range []packed{x, y} {
		floor := slices.Max(levels) - loudBandDB
		mean := 0.0
		for i := range levels {
			levels[i] = max(levels[i], floor)
			mean += levels[i] / float64(n)
		}
		for i := range levels {
			levels[i] -= mean
		}
	}
	var xx, xy, yy float64
	for i := range x {
		xx, xy, yy = xx+x[i]*x[i], xy+x[i]*y[i], yy+y[i]*y[i]
	}
	return xy / math.Sqrt(max(xx*yy, math.SmallestNonzeroFloat64))
}

// clicks are the local changes of one sample each, separated by channel.
func (c *change) clicks() []compare.Difference {
	var all []compare.Difference
	for channel := range c.baseline.Channels {
		d := compare.Difference{Kind: compare.Click, Channel: channel, Value: math.Inf(-1), Unit: "dBFS"}.AtRate(c.baseline.RateHz)
		if c.baseline.Channels == 1 {
			d.Channel = -1
		}
		for _, l := range c.local {
			if _, one := c.oneSample(l); l.channel != channel || !one {
				continue
			}
			d.Count++
			if db := dsp.AmplitudeToDB(math.Abs(l.difference[0])); db > d.Value {
				d.Frame, d.Value = c.frameOf(l), db
			}
		}
		if d.Count > 0 {
			all = append(all, d)
		}
	}
	return all
}

// stretchText describes the local changes that are longer than a sample: the place of the
// first one, and the energy of the largest.
func (c *change) stretchText() string {
	if !c.explained() {
		return ""
	}
	blocks := map[int]float64{}
	for _, l := range c.local {
		if _, one := c.oneSample(l); !one {
			blocks[l.block] += l.energy
		}
	}
	if len(blocks) == 0 {
		return ""
	}
	var order []int
	largest, lost := 0.0, true
	for k, e := range blocks {
		order = append(order, k)
		largest = max(largest, e)
		lost = lost && k < len(c.now.Levels) && k < len(c.baseline.Levels) && c.now.Levels[k] < c.baseline.Levels[k]-20
	}
	slices.Sort(order)
	frame := int64(order[0]) * int64(c.baseline.Reference.blockFrames)
	at := measure.TimeCode(frame, c.baseline.RateHz)
	what := fmt.Sprintf("has another sound in %s of %d ms from %s on", dsp.Plural(len(order), "block"), referenceMs, at)
	if lost {
		what = fmt.Sprintf("is silent in %s of %d ms from %s on", dsp.Plural(len(order), "block"), referenceMs, at)
	}
	length := float64(c.baseline.Reference.blockFrames * c.baseline.Channels)
	return fmt.Sprintf("%s, a difference of %.1f dBFS", what, dsp.PowerToDB(largest/length))
}

// channelDifferences are the differences of single channels, where the channels do not
// change alike.
func (c *change) channelDifferences() []compare.Difference {
	if c.baseline.Channels < 2 || c.delay != 0 {
		return nil
	}
	var gains, related []float64
	for i, before := range c.baseline.Reference.channels {
		var p products
		for k := range min(len(before), len(c.now.Reference.channels[i])) {
			p.add(before[k], c.now.Reference.channels[i][k])
		}
		gains, related = append(gains, p.gain()), append(related, p.correlation())
	}
	low, high := slices.Min(gains), slices.Max(gains)
	if low*high > 0 && math.Abs(dsp.AmplitudeToDB(high/low)) < statedChannelDB && slices.Min(related) > 0.9 {
		return nil
	}
	var all []compare.Difference
	for i, g := range gains {
		d := compare.Difference{Kind: compare.Level, Channel: i, Frame: -1, Unit: "dB"}.AtRate(c.baseline.RateHz)
		switch {
		case g == 0 && related[i] == 0:
			d.Kind, d.Unit = compare.Silent, ""
		case related[i] < 0.9:
			d.Kind, d.Unit = compare.OtherSound, ""
		case g < 0:
			d.Kind, d.Unit, d.Value = compare.Polarity, "", -1
		default:
			if d.Value = dsp.AmplitudeToDB(g); math.Abs(d.Value) < statedGainDB {
				continue
			}
		}
		all = append(all, d)
	}
	return all
}

// bandDifferences are the differences of third octaves from their median. A change at an
// end of the spectrum is stated as a whole, one in its middle by its largest band.
func (c *change) bandDifferences() (all []compare.Difference, median float64) {
	var hz []int
	loudest := float64(silentDBFS)
	for k, v := range c.baseline.Bands {
		hz, loudest = append(hz, k), max(loudest, v)
	}
	slices.Sort(hz)
	hz = slices.DeleteFunc(hz, func(k int) bool { return c.baseline.Bands[k] <= loudest-loudBandDB })
	if len(hz) < 5 {
		return nil, 0
	}
	change := make([]float64, len(hz))
	for i, k := range hz {
		change[i] = c.now.Bands[k] - c.baseline.Bands[k]
	}
	sorted := slices.Sorted(slices.Values(change))
	median = sorted[len(sorted)/2]
	for i := range change {
		change[i] -= median
	}
	off := func(i int) bool { return math.Abs(change[i]) >= statedBandDB }
	first, last := 0, len(hz)-1 // a changed end reaches as far as the change is a quarter of that at the end
	for first <= last && off(first) && change[first]/change[0] >= 0.25 {
		first++
	}
	for last >= first && off(last) && change[last]/change[len(hz)-1] >= 0.25 {
		last--
	}
	add := func(kind compare.Kind, i, side int, value float64) {
		all = append(all, compare.Difference{Kind: kind, Channel: -1, Frame: -1, Hz: float64(hz[i]), Side: side, Value: value, Unit: "dB"}.AtRate(c.baseline.RateHz))
	}
	const cutDB = -12 // an end that lost more was filtered off
	largest := 0
	for i := range change {
		if math.Abs(change[i]) > math.Abs(change[largest]) {
			largest = i
		}
	}
	if !off(largest) {
		return nil, median
	}
	end := func(i, step, side int, kind compare.Kind) {
		if change[i] > cutDB {
			add(compare.Band, i+step*0, side, change[i])
			return
		}
		corner := i
		for corner+step >= 0 && corner+step < len(hz) && change[corner] < -3 {
			corner += step
		}
		add(kind, corner, 0, change[i])
	}
	low, high := first > 0 && largest < first, last < len(hz)-1 && largest > last
	switch {
	case low && change[0] <= cutDB:
		end(0, 1, -1, compare.HighPass)
	case high && change[len(hz)-1] <= cutDB:
		end(len(hz)-1, -1, 1, compare.LowPass)
	case low:
		add(compare.Band, min(first, len(hz)-1), -1, change[largest])
	case high:
		add(compare.Band, max(last, 0), 1, change[largest])
	default:
		add(compare.Band, largest, 0, change[largest])
	}
	return all, median
}

// invertedParts are the parts in which the sound, or a channel of it, is inverted where it is
// not elsewhere.
func (c *change) invertedParts() (all []compare.Difference) {
	length := int64(c.baseline.Reference.blockFrames)
	turns := make([]*polarity.Turns, c.baseline.Channels)
	for i, before := range c.baseline.Reference.channels {
		turns[i] = &polarity.Turns{}
		after := c.now.Reference.channels[i]
		for k := range min(len(before), len(after)) {
			var p products
			p.add(before[k], after[k])
			turns[i].Add(int64(k)*length, int64(k+1)*length, p.xx, p.yy, p.xy)
		}
	}
	for _, p := range polarity.Parts(turns, c.baseline.Frames) {
		d := compare.Difference{Kind: compare.PartInverted, Channel: p.Channel, Frame: p.From, Frames: p.To - p.From, Within: p.Within(), Count: int64(p.Count)}
		all = append(all, d.AtRate(c.baseline.RateHz))
	}
	return all
}
