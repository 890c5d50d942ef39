package compare

import (
	"fmt"
	"math"
	"sort"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

const (
	levelPart  = 1 << 16 // frames that a gain is read from at a time
	levelParts = 64      // and of how many such parts at most, all over the overlap
	// sameGain is the ratio from which on a gain is one: 1e-9 dB, the rounding of the
	// sums.
	sameGain = 1e-10
)

// matchLevels finds the gain of B against A, of all channels together and of each.
func (c *Comparison) matchLevels(a, b func() (wave.Source, error), s Settings) error {
	blocks, err := c.blockGains(a, b)
	if err != nil {
		return err
	}
	var all []blockGain
	for _, channel := range blocks {
		all = append(all, channel...)
		c.gains = append(c.gains, gainOf(channel))
	}
	switch {
	case s.Match == LevelsAsTheyAre:
		c.gain = 1
	case s.Match == EqualLoudness:
		la, _ := c.a.Get("integrated_lufs")
		lb, _ := c.b.Get("integrated_lufs")
		if !la.Measurable() || !lb.Measurable() {
			return fmt.Errorf("levels cannot be matched by loudness: A is %v, B is %v", la, lb)
		}
		c.gain = dsp.DBToAmplitude(lb.Value - la.Value)
		if c.place.inverted {
			c.gain = -c.gain
		}
	case c.channelsDiffer():
		c.gain = leastChanged(c.gains)
	default:
		if g := gainOf(all); g != 0 && g-g == 0 {
			c.gain = g
		}
	}
	if math.Abs(c.gain-1) < sameGain {
		c.gain = 1
	}
	return nil
}

// leastChanged is the gain of the channel that changed least: by its dB, and without
// an inversion if there is one.
func leastChanged(gains []float64) float64 {
	best, least := 1.0, math.Inf(1)
	for _, g := range gains {
		if g == 0 || g-g != 0 {
			continue
		}
		change := math.Abs(dsp.AmplitudeToDB(math.Abs(g)))
		if g < 0 {
			change += 1000
		}
		if change < least {
			best, least = g, change
		}
	}
	return best
}

// blockGain holds the sums of A squared and of A times B over a block, without their means.
type blockGain struct{ xx, xy float64 }

const (
	gainFrames = 4096 // of a block
	gainStray  = 0.06 // 0.5 dB: a block that lies further from the median is another sound
)

// gainOf is the gain by least squares over the blocks that have about the gain of
// the median: a dropout or a click is no change of level. NaN for silence.
func gainOf(blocks []blockGain) float64 {
	var sounding []blockGain
	total := 0.0
	for _, b := range blocks {
		if b.xx > 0 {
			sounding = append(sounding, b)
			total += b.xx
		}
	}
	if len(sounding) == 0 {
		return math.NaN()
	}
	sort.Slice(sounding, func(i, j int) bool { return sounding[i].xy/sounding[i].xx < sounding[j].xy/sounding[j].xx })
	median, seen := 0.0, 0.0
	for _, b := range sounding {
		median = b.xy / b.xx
		if seen += b.xx; seen >= total/2 {
			break
		}
	}
	var xx, xy float64
	for _, b := range sounding {
		if math.Abs(b.xy/b.xx-median) <= gainStray*math.Abs(median) {
			xx, xy = xx+b.xx, xy+b.xy
		}
	}
	return xy / xx
}

// blockGains are the gains of each channel's blocks: over all that both have, or over
// parts evenly spread.
func (c *Comparison) blockGains(a, b func() (wave.Source, error)) (blocks [][]blockGain, err error) {
	blocks = make([][]blockGain, c.Channels)
	left, right := &cursor{open: a}, &cursor{open: b}
	defer left.close()
	defer right.close()
	x, y := dsp.NewBlock(c.Channels, gainFrames), dsp.NewBlock(c.Channels, gainFrames)
	add := func(x, y dsp.Block) error {
		for i := range x {
			var g blockGain
			var sx, sy float64
			for k, v := range x[i] {
				g.xx += v * v
				g.xy += v * y[i][k]
				sx, sy = sx+v, sy+y[i][k]
			}
			// An offset of one of them is no change of level.
			n := float64(len(x[i]))
			g.xx, g.xy = max(0, g.xx-sx*sx/n), g.xy-sx*sy/n
			blocks[i] = append(blocks[i], g)
		}
		return nil
	}
	total := c.place.frames()
	for _, q := range c.place.pieces {
		length := q.to - q.from
		count := min((length+levelPart-1)/levelPart, max(1, levelParts*length/max(1, total)))
		for i := range count {
			from, to := q.from+i*length/count, q.from+(i+1)*length/count
			if err := c.stretch(left, right, q, from, min(to, from+levelPart), x, y, add); err != nil {
				return nil, err
			}
		}
	}
	return blocks, nil
}
