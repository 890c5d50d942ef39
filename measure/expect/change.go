package expect

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/compare"
)

// change is the difference of a sound from a baseline, computed from the sums that the
// baseline keeps.
type change struct {
	baseline *Baseline
	now      *Fingerprint

	energy  float64 // of the difference without alignment, all samples
	median  float64 // root of the energy that changed in the median block
	local   []localChange
	delay   float64 // frames, more than 0: later
	gain    float64 // of the sound relative to the baseline, with its sign; 0: one of them is silent
	related float64 // correlation at the delay, 0 to 1
	rest    float64 // energy that delay and gain do not explain
	steady  bool    // the rest has one level throughout
	splits  []compare.Difference
	turned  []compare.Difference // parts that are inverted, where others are not
}

// localChange is a block that changed more than all others.
type localChange struct {
	channel, block int
	energy         float64
	difference     sums
}

const (
	standsOut      = 7    // times the median block: a Gaussian goes there once in 10^12
	leastLocalDBFS = -100 // of one sample; a thousandth of a step of 16 bits is no event
)

// changeOf finds how a sound differs from the baseline.
func (b *Baseline) changeOf(ctx context.Context, s Sound) (*change, error) {
	now, err := fingerprintOf(ctx, s)
	if err != nil {
		return nil, err
	}
	if now.RateHz != b.RateHz || now.Channels != b.Channels {
		return nil, fmt.Errorf("found %s at %d Hz; the baseline has %d at %d Hz", dsp.Plural(now.Channels, "channel"), now.RateHz, b.Channels, b.RateHz)
	}
	c := &change{baseline: b, now: now, gain: 1, related: 1}
	if c.same() {
		return c, nil
	}
	c.unaligned()
	if c.explained() {
		return c, nil
	}
	if c.turned = c.invertedParts(); len(c.turned) > 0 {
		return c, nil
	}
	return c, c.align(ctx, s)
}

func (c *change) same() bool {
	return c.now.SamplesSHA256 == c.baseline.SamplesSHA256 && c.now.Frames == c.baseline.Frames
}

// unaligned compares the sums frame by frame, without alignment.
func (c *change) unaligned() {
	var energies []float64
	for i, before := range c.baseline.Reference.channels {
		for k := range before {
			_, e := c.blockDifference(i, k)
			energies = append(energies, e)
			c.energy += e
		}
	}
	if len(energies) == 0 {
		return
	}
	slices.Sort(energies)
	c.median = math.Sqrt(energies[len(energies)/2])
	least := max(standsOut*c.median, dsp.DBToAmplitude(leastLocalDBFS))
	for i, before := range c.baseline.Reference.channels {
		for k := range before {
			if d, e := c.blockDifference(i, k); math.Sqrt(e) > least {
				c.local = append(c.local, localChange{i, k, e, d})
			}
		}
	}
	products := c.products(c.now.Reference)
	c.gain, c.related, c.rest = products.gain(), products.correlation(), products.rest()
}

// blockDifference is the difference of a block's sums, and its energy. The shorter sound
// continues with silence.
func (c *change) blockDifference(channel, block int) (sums, float64) {
	before, after := c.baseline.Reference.channels[channel], c.now.Reference.channels[channel]
	var d sums
	if block < len(after) {
		d = after[block]
	}
	for k := range d {
		d[k] -= before[block][k]
	}
	return d, energyOf(d)
}

// energyOf is the energy of a block, from its sums.
func energyOf(d sums) float64 { return (d[0]*d[0] + meanSecondSum*d[1]*d[1]) / 2 }

// explained reports whether the sounds need no alignment: what changed is in a few
// places, and so little elsewhere that delay and gain have not changed.
func (c *change) explained() bool {
	blocks := len(c.baseline.Reference.channels[0]) * c.baseline.Channels
	elsewhere := c.energy
	for _, l := range c.local {
		elsewhere -= l.energy
	}
	return len(c.local) <= max(1, blocks/20) && dsp.PowerToDB(max(0, elsewhere)/c.samples()) < c.baseline.roundingOrDitherDBFS()
}

func (c *change) samples() float64 {
	return max(1, float64(c.baseline.Frames*int64(c.baseline.Channels)))
}

// products are sums of products of two references. Correlation, gain and rest are
// computed from them.
type products struct{ xx, xy, yy float64 }

// products are of the blocks that both references have.
func (c *change) products(after *reference) (p products) {
	for i, before := range c.baseline.Reference.channels {
		for k := range min(len(before), len(after.channels[i])) {
			p.add(before[k], after.channels[i][k])
		}
	}
	return p
}

func (p *products) add(x, y sums) {
	for k, weight := range [2]float64{1, meanSecondSum} {
		p.xx += weight * x[k] * x[k] / 2
		p.xy += weight * x[k] * y[k] / 2
		p.yy += weight * y[k] * y[k] / 2
	}
}

func (p products) gain() float64 {
	if p.xx == 0 {
		return 0
	}
	return p.xy / p.xx
}

func (p products) correlation() float64 {
	if p.xx == 0 || p.yy == 0 {
		return 0
	}
	return math.Abs(p.xy) / math.Sqrt(p.xx*p.yy)
}

// rest is the energy of y that no gain of x explains, on the level of y.
func (p products) rest() float64 {
	if p.xx == 0 {
		return p.yy
	}
	return max(0, p.yy-p.xy*p.xy/p.xx)
}

// sketchFrom is the reference of a sound from a frame on. Before the sound's first frame
// and after its last is silence.
func sketchFrom(ctx context.Context, s Sound, from, frames int64, rate, channels int) (*reference, error) {
	k := newSketcher(rate, channels)
	if from < 0 {
		k.write(dsp.NewBlock(channels, int(min(-from, frames))))
	}
	at := int64(0)
	err := s.read(func(src wave.Source) error {
		return measure.EachBlock(ctx, src, func(b dsp.Block) {
			lo := min(max(0, from-at), int64(b.Frames()))
			part := make(dsp.Block, len(b))
			for c := range b {
				part[c] = b[c][lo:min(int64(b.Frames()), lo+max(0, frames-k.frame))]
			}
			k.write(part)
			at += int64(b.Frames())
		})
	})
	if short := frames - k.frame; short > 0 {
		k.write(dsp.NewBlock(channels, int(short)))
	}
	return k.end(), err
}

func (c *change) gainReading() measure.Reading {
	x := measure.Reading{Unit: "dB", Definition: "least squares of the sums"}
	switch {
	case c.gain == 0 && c.energy == 0: // both are silent
	case c.gain == 0:
		x.Reason = "one of both is silent"
	default:
		x.Value = dsp.AmplitudeToDB(math.Abs(c.gain))
		if c.gain < 0 {
			x.Definition += "; inverted in polarity"
		}
	}
	return x
}

func (c *change) differenceReading() measure.Reading {
	x := measure.Reading{Unit: "dBFS", Definition: "rms of the difference, frame by frame without alignment and without matching levels, from the sums", Bound: "some 3 dB where few blocks differ: sums with random signs"}
	if c.energy == 0 {
		x.Reason, x.Beyond = "exactly 0", -1
		return x
	}
	x.Value = dsp.PowerToDB(c.energy / c.samples())
	return x
}

func (c *change) firstLocal() int64 {
	if len(c.local) == 0 {
		return -1
	}
	first := c.local[0]
	for _, l := range c.local {
		if l.block < first.block {
			first = l
		}
	}
	return c.frameOf(first)
}

// frameOf is the place of a local change: the sample, if it is one, else its block's
// first frame.
func (c *change) frameOf(l localChange) int64 {
	length := c.baseline.Reference.blockFrames
	frame := int64(l.block) * int64(length)
	if at, one := c.oneSample(l); one {
		frame += int64(at)
	}
	return frame
}

// oneSample is the frame, within its block, of a change of a single sample. Then the
// second sum is the first times the place, the third is the first times its square, and
// the neighbouring blocks have not changed.
func (c *change) oneSample(l localChange) (at int, one bool) {
	length := c.baseline.Reference.blockFrames
	d := l.difference
	if d[0] == 0 {
		return 0, false
	}
	place := d[1] / d[0]
	middle := float64(length-1) / 2
	at = int(math.Round(place*middle + middle))
	if at < 0 || at >= length {
		return 0, false
	}
	beside := slices.ContainsFunc(c.local, func(other localChange) bool {
		return other.channel == l.channel && (other.block == l.block-1 || other.block == l.block+1)
	})
	exact := placeIn(int64(at), length)
	// What changed in the median block shifts the sums, as does the place's rounding to
	// a frame; sums are kept to 6e-8 of themselves.
	off := 6*c.median + math.Abs(d[0])/float64(length) + 1e-6
	return at, !beside && math.Abs(d[1]-d[0]*exact) < off && math.Abs(d[2]-d[0]*exact*exact) < 3*off
}

// Sentence states how the sound differs from the baseline; "" for the same samples in the
// same format.
func (c *change) sentence() string {
	if c.same() {
		return c.formatText()
	}
	differences := c.differences()
	text := strings.TrimPrefix(compare.Sentence(differences), "B ")
	if has := func(k compare.Kind) bool {
		return slices.ContainsFunc(differences, func(d compare.Difference) bool { return d.Kind == k })
	}; has(compare.Level) && (has(compare.Band) || has(compare.LowPass) || has(compare.HighPass)) {
		for _, word := range []string{" dB louder", " dB quieter"} { // gain_change_db is that of all bands
			text = strings.Replace(text, word, word+" in the median third octave", 1)
		}
	}
	if stretch := c.stretchText(); stretch != "" {
		if text != "" {
			text += "; it "
		}
		text += stretch
	}
	if frames := c.now.Frames - c.baseline.Frames; frames != 0 {
		word := "longer"
		if frames < 0 {
			word = "shorter"
		}
		if text != "" {
			text += "; it "
		}
		text += fmt.Sprintf("is %s %s", dsp.Plural(max(frames, -frames), "frame"), word)
	}
	if text == "" {
		text = "has the same sums, but other samples: rounding"
	}
	return c.withFormat(text)
}

// withFormat adds to a text how the samples are written, where that has changed.
func (c *change) withFormat(text string) string {
	if format := c.formatText(); format != "" {
		return text + "; it " + format
	}
	return text
}

// formatText says how the samples are written, and how many of their bits are used, where
// that has changed.
func (c *change) formatText() string {
	now, before := c.now, c.baseline
	var all []string
	if now.SampleFormat != before.SampleFormat {
		all = append(all, fmt.Sprintf("is %s, and was %s", now.SampleFormat, before.SampleFormat))
	}
	if now.UsedBits != before.UsedBits && now.UsedBits > 0 && before.UsedBits > 0 {
		all = append(all, fmt.Sprintf("uses %d bits, and used %d", now.UsedBits, before.UsedBits))
	}
	return strings.Join(all, "; it ")
}

// onlyNoise describes the remaining difference of a sound that is accepted.
func (c *change) onlyNoise() string {
	db := dsp.PowerToDB(c.energy / c.samples())
	if !(db > -160) {
		return c.withFormat("differs by rounding, under -160 dBFS")
	}
	return c.withFormat(fmt.Sprintf("differs by noise at %.1f dBFS, as another dither seed or other rounding leaves it", db))
}
