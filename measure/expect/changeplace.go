package expect

import (
	"context"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/compare"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

const (
	passages        = 36  // blocks in which a delay is looked for; their sums give 72 equations
	searchedSeconds = 0.5 // that it may be, either way
)

// passage is a block of the baseline, and the sums of the sound at each delay of that
// block.
type passage struct {
	channel, block int
	want           sums
	home           int64        // frames: the delay around which it is looked for
	least, most    float64      // delays at which it lies in the sound
	got            [2][]float64 // of the first two sums, by delay from home − reach on
}

// align looks for a delay in the loudest blocks, spread over the sound, and for the gain
// at that delay.
func (c *change) align(ctx context.Context, s Sound) error {
	reach := int(searchedSeconds * float64(c.baseline.RateHz))
	chosen := c.loudBlocks()
	if len(chosen) < 4 {
		return nil
	}
	if err := c.correlate(ctx, s, chosen, reach); err != nil {
		return err
	}
	delay, related := bestDelay(chosen, reach)
	still := correlationAt(chosen, reach, 0)
	if !isDelay(delay, related, still) {
		if err := c.split(ctx, s, chosen, reach); err != nil || len(c.splits) > 0 {
			return err
		}
		c.steady = c.restIsSteady(c.now.Reference)
		return nil
	}
	c.delay = delay
	if err := c.split(ctx, s, chosen, reach); err != nil || len(c.splits) > 0 {
		return err
	}
	if delay != math.Trunc(delay) {
		p := productsAt(chosen, reach, delay)
		c.gain, c.related = p.gain(), p.correlation()
		// The rest of the passages is taken as that of the whole sound.
		c.rest = p.rest() / max(p.yy, math.SmallestNonzeroFloat64) * c.products(c.now.Reference).yy
		return nil
	}
	moved, err := sketchFrom(ctx, s, int64(delay), c.baseline.Frames, c.baseline.RateHz, c.baseline.Channels)
	if err != nil {
		return err
	}
	p := c.products(moved)
	c.gain, c.related, c.rest = p.gain(), p.correlation(), p.rest()
	c.steady = c.restIsSteady(moved)
	return nil
}

// isDelay reports whether a delay explains a difference better than the phase of a filter
// does. A filter shifts a sound by little, and leaves much of the difference.
func isDelay(delay, related, still float64) bool {
	left, before := 1-related*related, 1-still*still
	return math.Abs(delay) >= statedDelay && left < before/2 && (left < 1e-3 || left < 1e-2 && math.Abs(delay) >= 4)
}

// loudBlocks chooses the blocks: it divides the sound into as many parts, and takes the
// loudest block of each.
func (c *change) loudBlocks() []*passage {
	var all []*passage
	blocks := len(c.baseline.Reference.channels[0])
	n := min(passages, blocks)
	for i := range n {
		best := &passage{block: -1}
		most := 0.0
		for k := i * blocks / n; k < (i+1)*blocks/n; k++ {
			for channel, sums := range c.baseline.Reference.channels {
				if e := energyOf(sums[k]); e > most {
					most, best = e, &passage{channel: channel, block: k, want: sums[k]}
				}
			}
		}
		if best.block >= 0 {
			all = append(all, best)
		}
	}
	return all
}

// correlate sums, in one pass, the products of each passage's signs with the sound around
// it.
func (c *change) correlate(ctx context.Context, s Sound, chosen []*passage, reach int) error {
	length := c.baseline.Reference.blockFrames
	margin := reach + timemap.Taps
	kept := make([][]float64, len(chosen))
	at := int64(0)
	err := s.read(func(src wave.Source) error {
		return measure.EachBlock(ctx, src, func(b dsp.Block) {
			for i, p := range chosen {
				from := int64(p.block*length-margin) + p.home - at
				lo, hi := max(0, from), min(int64(b.Frames()), from+int64(length+2*margin))
				if lo >= hi {
					continue
				}
				if kept[i] == nil {
					kept[i] = make([]float64, length+2*margin)
				}
				copy(kept[i][lo-from:], b[p.channel][lo:hi])
			}
			at += int64(b.Frames())
		})
	})
	if err != nil {
		return err
	}
	size := 1
	for size < length+2*margin {
		size *= 2
	}
	fft := spectra.NewFFT(size)
	sound, signs := make([]complex128, size/2+1), make([]complex128, size/2+1)
	x, out := make([]float64, size), make([]float64, size)
	for i, p := range chosen {
		p.least, p.most = float64(-p.block*length), float64(c.now.Frames-int64((p.block+1)*length))
		clear(x)
		copy(x, kept[i])
		fft.Coefficients(sound, x)
		for k := range p.got {
			clear(x)
			for n := range length {
				frame := int64(p.block*length + n)
				x[n] = sign(frame)
				if k == 1 {
					x[n] *= placeIn(frame, length)
				}
			}
			fft.Coefficients(signs, x)
			for n := range signs {
				signs[n] = sound[n] * complex(real(signs[n]), -imag(signs[n]))
			}
			fft.Sequence(out, signs)
			p.got[k] = make([]float64, 2*margin+1)
			for n := range p.got[k] {
				p.got[k][n] = out[n] / float64(size)
			}
		}
		kept[i] = nil
	}
	return nil
}

// productsAt are the products of the passages at a delay; between frames a sinc
// interpolates. Passages that the delay moves out of the sound do not count.
func productsAt(chosen []*passage, reach int, delay float64) products {
	return productsAlong(chosen, reach, func(*passage) float64 { return delay })
}

// placeSinc reads between the frames.
var placeSinc = timemap.WindowedSinc(32, 8)

// productsAlong are the passages' products, each at a separate delay.
func productsAlong(chosen []*passage, reach int, delayOf func(*passage) float64) (p products) {
	for _, c := range chosen {
		delay := delayOf(c)
		if delay < c.least || delay > c.most {
			continue
		}
		whole := math.Floor(delay)
		var y sums
		for k := range c.got {
			centre := reach + timemap.Taps + int(int64(whole)-c.home)
			if delay == whole {
				y[k] = c.got[k][centre]
				continue
			}
			for j := -31; j <= 32; j++ {
				if i := centre + j; i >= 0 && i < len(c.got[k]) {
					y[k] += c.got[k][i] * placeSinc(delay-whole-float64(j))
				}
			}
		}
		p.add(c.want, y)
	}
	return p
}

func correlationAt(chosen []*passage, reach int, delay float64) float64 {
	return productsAt(chosen, reach, delay).correlation()
}

// bestDelay is the delay at which the passages correlate most: a whole number of frames,
// unless one between two frames is clearly better.
func bestDelay(chosen []*passage, reach int) (delay, related float64) {
	home := int(chosen[0].home)
	for d := home - reach; d <= home+reach; d++ {
		if r := correlationAt(chosen, reach, float64(d)); r > related {
			delay, related = float64(d), r
		}
	}
	if 1-related < 1e-9 {
		return delay, related
	}
	lo, hi := delay-1, delay+1
	const golden = 0.6180339887498949
	a, b := hi-golden*(hi-lo), lo+golden*(hi-lo)
	ra, rb := correlationAt(chosen, reach, a), correlationAt(chosen, reach, b)
	for hi-lo > 1e-4 {
		if ra > rb {
			hi, b, rb = b, a, ra
			a = hi - golden*(hi-lo)
			ra = correlationAt(chosen, reach, a)
		} else {
			lo, a, ra = a, b, rb
			b = lo + golden*(hi-lo)
			rb = correlationAt(chosen, reach, b)
		}
	}
	if middle := (lo + hi) / 2; 1-max(ra, rb) < (1-related)/2 && math.Abs(middle-delay) >= statedDelay {
		return middle, max(ra, rb)
	}
	return delay, related
}

// split detects a sound that has one delay in its first part and another in its last:
// something was cut out or inserted, or the clock runs at another speed.
func (c *change) split(ctx context.Context, s Sound, chosen []*passage, reach int) error {
	if len(chosen) < 12 {
		return nil
	}
	early, relatedEarly := delayOfEnd(chosen, reach, func(n int) []*passage { return chosen[:n] })
	late, relatedLate := delayOfEnd(chosen, reach, func(n int) []*passage { return chosen[len(chosen)-n:] })
	if min(relatedEarly, relatedLate) >= alike && math.Abs(late-early) >= 0.1 && early == math.Trunc(early) && late == math.Trunc(late) {
		if done, err := c.edit(ctx, s, early, late); done || err != nil {
			return err
		}
	}
	if relatedEarly >= alike && early == math.Trunc(early) {
		if done, err := c.severalEdits(ctx, s, int64(early), reach); done || err != nil {
			return err
		}
	}
	third := len(chosen) / 3
	first, last := chosen[:third], chosen[len(chosen)-third:]
	early, relatedEarly = bestDelay(first, reach)
	late, relatedLate = bestDelay(last, reach)
	if min(relatedEarly, relatedLate) < alike || math.Abs(late-early) < 0.1 {
		return nil
	}
	middle := func(p []*passage) float64 {
		return float64(p[len(p)/2].block) * float64(c.baseline.Reference.blockFrames)
	}
	c.drift(chosen, reach, early, late, middle(first), middle(last))
	return nil
}

// alike is the least correlation of the passages of one end with the sound.
const alike = 0.9

// edit finds what was cut out or put in between two delays, in frames, and reports whether
// that explains the difference.
func (c *change) edit(ctx context.Context, s Sound, early, late float64) (bool, error) {
	block, p, err := c.splitBlock(ctx, s, int64(early), int64(late))
	// What is cut leaves nothing on either side. Hum fits itself at other delays too, but no better.
	if err != nil || p.rest() > 1e-3*p.yy || p.rest() > c.rest/4 {
		return false, err
	}
	c.gain, c.related, c.rest = p.gain(), p.correlation(), p.rest()
	length := int64(c.baseline.Reference.blockFrames)
	d := compare.Difference{Kind: compare.Insertion, Channel: -1, Frame: int64(block)*length + length/2, Frames: int64(late - early), Within: length / 2} // anywhere in that block
	if late < early {
		d.Kind, d.Frames = compare.Cut, int64(early-late)
	}
	c.delay = early
	if early != 0 {
		c.splits = append(c.splits, compare.Difference{Kind: compare.Delay, Channel: -1, Frame: -1, Value: early, Unit: "frames"}.AtRate(c.baseline.RateHz))
	} else {
		c.delay = late
	}
	c.splits = append(c.splits, d.AtRate(c.baseline.RateHz))
	return true, nil
}

// delayOfEnd is the delay of the passages of one end: of a third, or of fewer where a third
// does not fit one delay as a copy does, as something is cut out within it.
func delayOfEnd(chosen []*passage, reach int, end func(n int) []*passage) (delay, related float64) {
	const asCopy = 0.9999 // three passages of another sound correlate so once in 30000 times
	delay, related = bestDelay(end(len(chosen)/3), reach)
	for n := len(chosen) / 6; n >= 3 && related < asCopy; n /= 2 {
		if d, r := bestDelay(end(n), reach); r >= asCopy {
			return d, r
		}
	}
	return delay, related
}

// drift detects a clock of another speed: delays that grow evenly explain nearly all of
// the difference, and far more than a single delay does. From is the middle of the first
// passages, to that of the last.
func (c *change) drift(chosen []*passage, reach int, early, late, from, to float64) {
	related := func(early, late float64) float64 {
		return productsAlong(chosen, reach, func(p *passage) float64 {
			return early + (late-early)*(float64(p.block*c.baseline.Reference.blockFrames)-from)/(to-from)
		}).correlation()
	}
	best := related(early, late)
	for step := 0.5; step > 0.005; step /= 2 { // the two delays by turns
		for range 4 {
			for _, move := range [][2]float64{{step, 0}, {-step, 0}, {0, step}, {0, -step}} {
				if r := related(early+move[0], late+move[1]); r > best {
					best, early, late = r, early+move[0], late+move[1]
				}
			}
		}
	}
	fixed := correlationAt(chosen, reach, c.delay)
	if left := 1 - best*best; left > 2e-3 || left > (1-fixed*fixed)/4 || math.Abs(late-early) < 0.1 {
		return
	}
	c.delay = (early + late) / 2
	c.splits = []compare.Difference{compare.Difference{Kind: compare.Drift, Channel: -1, Frame: -1, Value: (late - early) / (to - from) * 1e6, Unit: "ppm"}.AtRate(c.baseline.RateHz)}
}

// splitBlock is the first block of the baseline that the earlier delay does not fit any
// more, and the products of all blocks that lie on either side of what was cut out or put
// in, each at its own delay.
func (c *change) splitBlock(ctx context.Context, s Sound, early, late int64) (block int, p products, err error) {
	var moved [2]*reference
	for i, from := range []int64{early, late} {
		if moved[i], err = sketchFrom(ctx, s, from, c.baseline.Frames, c.baseline.RateHz, c.baseline.Channels); err != nil {
			return 0, p, err
		}
	}
	left := func(i, k int) (sum float64) {
		for channel, before := range c.baseline.Reference.channels {
			d := moved[i].channels[channel][k]
			for j := range d {
				d[j] -= before[k][j]
			}
			sum += energyOf(d)
		}
		return sum
	}
	blocks := len(c.baseline.Reference.channels[0])
	between := 1 // blocks that neither delay fits: what was put in lies within one
	if cut := early - late; cut > 0 {
		between = min(blocks, int(cut)/c.baseline.Reference.blockFrames+2)
	}
	sum := 0.0
	for k := between; k < blocks; k++ {
		sum += left(1, k)
	}
	best, least := 0, sum
	for k := 1; k+between <= blocks; k++ {
		if sum += left(0, k-1) - left(1, k+between-1); sum < least {
			best, least = k, sum
		}
	}
	last := blocks - 1 // behind the sound's end is silence, also within the last block
	for channel, before := range c.baseline.Reference.channels {
		for k := range last {
			switch {
			case k < best:
				p.add(before[k], moved[0].channels[channel][k])
			case k >= best+between:
				p.add(before[k], moved[1].channels[channel][k])
			}
		}
	}
	// Fewer blocks than these may be touched.
	for block = best; block < best+between-1 && left(0, block) <= 1e-3*c.energyOf(block); block++ {
	}
	return block, p, nil
}

// energyOf is the energy of a block of the baseline.
func (c *change) energyOf(block int) (sum float64) {
	for _, before := range c.baseline.Reference.channels {
		sum += energyOf(before[block])
	}
	return sum
}

// restIsSteady reports whether what the gain does not explain has one level throughout,
// as noise has: its mean is near its median.
func (c *change) restIsSteady(after *reference) bool {
	var energies []float64
	total := 0.0
	for i, before := range c.baseline.Reference.channels {
		for k := range min(len(before), len(after.channels[i])) {
			d := after.channels[i][k]
			for j := range d {
				d[j] -= c.gain * before[k][j]
			}
			e := energyOf(d)
			energies, total = append(energies, e), total+e
		}
	}
	if len(energies) == 0 || total == 0 {
		return false
	}
	slices.Sort(energies)
	// The square of a Gaussian has a mean of 1.5 to 2.2 medians; speech some 10 and more.
	return total/float64(len(energies)) < 3*energies[len(energies)/2]
}
