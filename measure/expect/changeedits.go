package expect

import (
	"cmp"
	"context"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/compare"
)

const (
	mostEdits = 20   // more are another sound
	likeCopy  = 1e-3 // of a block's energy: what a copy leaves at most at its place
	// unlikeBlocks is how many blocks in a row that do not fit are an edit, and no event of
	// some milliseconds.
	unlikeBlocks = 6
)

// severalEdits follows the sound from a delay at its beginning on: where it no longer fits,
// it looks for the delay at which it goes on, and so finds one cut or insertion after the
// other. It reports whether these explain the difference.
func (c *change) severalEdits(ctx context.Context, s Sound, delay int64, reach int) (bool, error) {
	b := c.baseline
	length, blocks := b.Reference.blockFrames, len(b.Reference.channels[0])
	before, err := sketchFrom(ctx, s, delay, b.Frames, b.RateHz, b.Channels)
	if err != nil {
		return false, err
	}
	first, begin := delay, 0
	var found []compare.Difference
	var p products
	for {
		from := c.unlikeFrom(before, begin)
		if from == blocks {
			c.addProducts(&p, before, begin, blocks-1)
			break
		}
		if len(found) == mostEdits {
			return false, nil
		}
		next, known, err := c.delayFrom(ctx, s, from+1, delay, reach)
		if !known || err != nil {
			return false, err
		}
		after, err := sketchFrom(ctx, s, next, b.Frames, b.RateHz, b.Channels)
		if err != nil {
			return false, err
		}
		between := 1 // blocks that neither delay fits
		if cut := delay - next; cut > 0 {
			between = int(cut)/length + 2
		}
		// The edit lies where the blocks before it fit the one delay, and those behind it the other.
		at, least := from, math.Inf(1)
		for k := max(begin, from-unlikeBlocks); k <= min(from+1, blocks-between); k++ {
			sum := 0.0
			for i := max(begin, from-unlikeBlocks); i < min(blocks, from+between+unlikeBlocks); i++ {
				switch {
				case i < k:
					sum += c.leaves(before, i)
				case i >= k+between:
					sum += c.leaves(after, i)
				}
			}
			if sum < least {
				at, least = k, sum
			}
		}
		c.addProducts(&p, before, begin, at)
		// Fewer blocks than these may be touched.
		for ; between > 1 && c.leaves(before, at) <= c.dither(); between-- {
			at++
		}
		d := compare.Difference{Kind: compare.Insertion, Channel: -1, Frame: int64(at)*int64(length) + int64(length)/2, Frames: next - delay, Within: int64(length) / 2}
		if next < delay {
			d.Kind, d.Frames = compare.Cut, delay-next
		}
		found = append(found, d.AtRate(b.RateHz))
		before, delay, begin = after, next, at+between
	}
	if len(found) == 0 || p.rest() > likeCopy*p.yy || p.rest() > c.rest/4 {
		return false, nil
	}
	c.gain, c.related, c.rest, c.delay = p.gain(), p.correlation(), p.rest(), float64(first)
	if first != 0 {
		found = slices.Insert(found, 0, compare.Difference{Kind: compare.Delay, Channel: -1, Frame: -1, Value: c.delay, Unit: "frames"}.AtRate(b.RateHz))
	}
	c.splits = found
	return true, nil
}

// leaves is the energy of what a block differs by from that of a sketch.
func (c *change) leaves(sketch *reference, block int) (sum float64) {
	for channel, before := range c.baseline.Reference.channels {
		d := sketch.channels[channel][block]
		for j := range d {
			d[j] -= before[block][j]
		}
		sum += energyOf(d)
	}
	return sum
}

// fits reports whether a block is a copy, but for dither.
func (c *change) fits(sketch *reference, block int) bool {
	return c.leaves(sketch, block) <= max(c.dither(), likeCopy*c.energyOf(block))
}

// dither is the most that another seed of dither leaves of a block. The sums of one block
// scatter about their mean: sixteen times it is 1 in 10⁷ blocks.
func (c *change) dither() float64 {
	return 16 * float64(c.baseline.Reference.blockFrames*c.baseline.Channels) * dsp.DBToPower(c.baseline.roundingOrDitherDBFS())
}

// unlikeFrom is the first of several blocks that do not fit a sketch, or the number of
// blocks. The last block is not looked at: behind the sound's end is silence.
func (c *change) unlikeFrom(sketch *reference, begin int) int {
	blocks := len(c.baseline.Reference.channels[0])
	first, unlike := blocks, 0
	for k := begin; k < blocks-1; k++ {
		if c.fits(sketch, k) {
			first, unlike = blocks, 0
			continue
		}
		if unlike == 0 {
			first = k
		}
		if unlike++; unlike == unlikeBlocks {
			return first
		}
	}
	if unlike > 1 { // up to the end
		return first
	}
	return blocks
}

// delayFrom is the delay at which the sound goes on, looked for near another one: that at
// which the loudest blocks of two neighbouring fifths of a second fit as a copy does. Those
// that were cut out fit nowhere, so later ones are tried too.
func (c *change) delayFrom(ctx context.Context, s Sound, from int, near int64, reach int) (delay int64, known bool, err error) {
	const (
		window, loudest = 8, 3 // blocks of 24 ms, and how many of them
		windows         = 12
		copied          = 0.9999 // as of the passages of an end
	)
	blocks := len(c.baseline.Reference.channels[0])
	var chosen []*passage
	for begin := from; begin < min(blocks, from+windows*window); begin += window {
		var all []*passage
		for k := begin; k < min(blocks, begin+window); k++ {
			for channel, sums := range c.baseline.Reference.channels {
				if energyOf(sums[k]) > 0 {
					all = append(all, &passage{channel: channel, block: k, want: sums[k], home: near})
				}
			}
		}
		slices.SortFunc(all, func(p, q *passage) int { return cmp.Compare(energyOf(q.want), energyOf(p.want)) })
		chosen = append(chosen, all[:min(loudest, len(all))]...)
	}
	if err := c.correlate(ctx, s, chosen, reach); err != nil {
		return 0, false, err
	}
	for i := 0; i+loudest <= len(chosen); i += loudest {
		d, related := bestDelay(chosen[i:min(i+2*loudest, len(chosen))], reach)
		if related >= copied && d == math.Trunc(d) {
			return int64(d), int64(d) != near, nil
		}
	}
	return 0, false, nil
}

// addProducts adds those of the blocks from one to another, which is not in it.
func (c *change) addProducts(p *products, sketch *reference, from, to int) {
	for channel, before := range c.baseline.Reference.channels {
		for k := from; k < to; k++ {
			p.add(before[k], sketch.channels[channel][k])
		}
	}
}
