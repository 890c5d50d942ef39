package compare

import (
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
)

// clipping looks for samples that B holds at its largest value while A goes beyond: the
// tops that were cut off.
type clipping []clippedChannel

// clippedChannel is what was found of a channel.
type clippedChannel struct {
	largest float64 // |sample| of B, on A's level
	samples int64   // that near it
	beyond  int64   // of these, where A is larger
	runs    int64   // of those, how many follow on another one
	last    int64   // frame of the last one
	ee      float64 // of the difference there
	first   int64
}

// The shares are set by recorded and generated speech, clipped at 0.5 to 0.9 of its peak
// (TestClippingIsNamed, TestChangesAreListed): where A is not beyond, the gain that was
// matched is a little off; what a limiter rounds off is not flat.
const (
	clipNear      = 0.9995 // of the largest |sample|: less than 0.005 dB, rounding at 12 bits
	clipOver      = 1.0005 // of B: as little beyond
	leastClips    = 8      // samples: fewer are a peak or two
	clipBeyond    = 0.7    // share of the samples near the largest where A is beyond
	clipBeyondAny = 0.2    // the same where the gain is that of clipped tops: by 10 dB it is 1.4 dB off
	clipRuns      = 0.3    // share of those that follow on another one: tops are flat
	clipRunsAny   = 0.8    // the same for clipBeyondAny: 0.95 of speech clipped by 18 dB
	clipOfWhole   = 0.3    // share of the difference that they make
	leastResting  = 0.3    // share of the samples at the very largest that follow on another one
)

// add takes the next frames of a channel of A, of B on its level, of which no |sample| is
// beyond most, and of the difference, from a frame of A on; or of B and A the other way round.
func (k *clippedChannel) add(from int64, most float64, x, y, e []float64) {
	if most < k.largest*clipNear {
		return
	}
	for n, v := range y {
		a := math.Abs(v)
		if a < k.largest*clipNear {
			continue
		}
		if a*clipNear > k.largest {
			*k = clippedChannel{}
		}
		k.largest = max(k.largest, a)
		k.samples++
		if b := math.Abs(x[n]); b > a*clipOver && v*x[n] > 0 {
			at := from + int64(n)
			if k.beyond++; k.beyond == 1 {
				k.first = at
			} else if at == k.last+1 {
				k.runs++
			}
			k.last = at
			k.ee += e[n] * e[n]
		}
	}
}

// flat reports whether the largest samples stand in rows where the other sound goes beyond.
func (k clippedChannel) flat(share float64) bool {
	return k.beyond >= leastClips && float64(k.beyond) >= share*float64(k.samples) && float64(k.runs) >= clipRuns*float64(k.beyond)
}

// flatTops reports whether tops of a channel are cut off, also where the gain that was matched
// is off by that and few of them lie under the other sound.
func (all clipping) flatTops() bool {
	return slices.ContainsFunc(all, func(k clippedChannel) bool { return k.flat(clipBeyondAny) })
}

// cut reports whether a channel of B rests at its largest value, as that of A does not:
// whatever else was done to B ahead of that.
func (c *Comparison) cut(channel int) bool {
	return c.tops[1][channel].areCut() && !c.tops[0][channel].areCut()
}

// isCut reports whether any channel is cut.
func (c *Comparison) isCut() bool {
	for i := range c.Channels {
		if c.cut(i) {
			return true
		}
	}
	return false
}

// clippingDifferences is the clipping of B, if its tops are cut or most of the difference is
// clipping; of several clipped channels the one with most samples is described.
func (c *Comparison) clippingDifferences() []Difference {
	d, clipped := c.difference(Clipped, 0, "dBFS"), 0
	for i, k := range c.clipping {
		if c.cut(i) {
			clipped++
			if t := c.tops[1][i]; t.samples > d.Count {
				d.Value, d.Count, d.Frame, d.Channel = dsp.AmplitudeToDB(t.largest), t.samples, c.place.inA(t.first), i
			}
			continue
		}
		hard := k.flat(clipBeyondAny) && float64(k.runs) >= clipRunsAny*float64(k.beyond)
		if !k.flat(clipBeyond) && !hard || k.ee < clipOfWhole*c.restOfChannel(i) {
			continue
		}
		clipped++
		if k.beyond > d.Count {
			gain := c.gain
			if c.channelsDiffer() {
				gain = c.gains[i]
			}
			d.Value, d.Count, d.Frame, d.Channel = dsp.AmplitudeToDB(k.largest*math.Abs(gain)), k.beyond, k.first, i
		}
	}
	if clipped == 0 {
		return nil
	}
	if clipped == c.Channels {
		d.Channel = -1
	}
	return []Difference{d}
}
