package take

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// filledGaps finds dropouts that are filled with something soft: the level of the
// differences between samples, in blocks of a millisecond, falls by 20 dB within two
// blocks and later rises as steeply. That happens in speech too; what makes it a
// dropout is that it is 10 dB below the noise of the room, which goes on in all that
// is recorded. Differences are compared since they are nearly white in a room: a
// millisecond of them holds enough to have a level.
type filledGaps struct {
	channel       int
	block         int // frames
	filled        int
	sum           float64
	frame         int64
	last          [2]float64 // mean squares of the two blocks before
	from          int64      // of a gap that may be one; −1
	outer, inside float64    // mean square before it, and the sum of those in it
	blocks        int
	mayBe         []softGap
}

type softGap struct {
	from, frames int64
	meanSquare   float64 // of the differences in it
}

const (
	mostDropoutMs   = 200 // longer is an edit (common practice, no source)
	gapFallDB       = 20
	gapUnderNoiseDB = 10
	mostSoftGaps    = 1 << 16 // bounds what is kept of a broken file
)

func newFilledGaps(channel, rate int) filledGaps {
	return filledGaps{channel: channel, block: max(8, rate/1000), from: -1}
}

// missing is how many frames the running block still lacks.
func (g *filledGaps) missing() int { return g.block - g.filled }

// add adds the sum of the squared differences of some frames of a block.
func (g *filledGaps) add(steps float64, frames int) {
	g.sum += steps
	g.frame += int64(frames)
	if g.filled += frames; g.filled == g.block {
		g.endBlock(g.sum / float64(g.block))
		g.sum, g.filled = 0, 0
	}
}

// gapFall is gapFallDB as a ratio of mean squares.
var gapFall = dsp.DBToPower(-gapFallDB)

func (g *filledGaps) endBlock(e float64) {
	fall := gapFall
	begin := g.frame - int64(g.block)
	switch {
	case g.from >= 0 && e < g.outer*fall && begin-g.from <= int64(mostDropoutMs*g.block):
		g.inside += e
		g.blocks++
	case g.from >= 0:
		// The block in which the gap ends may be partly inside it: it does not count.
		mean := g.inside / float64(max(1, g.blocks))
		if e > mean/fall && g.blocks >= 2 && mean > 0 && len(g.mayBe) < mostSoftGaps {
			g.mayBe = append(g.mayBe, softGap{g.from, begin - g.from, mean})
		}
		g.from = -1
	}
	if g.from < 0 && e < g.last[0]*fall {
		g.from, g.outer, g.inside, g.blocks = begin, g.last[0], e, 1
	}
	g.last = [2]float64{g.last[1], e}
}

// report adds the gaps that are below the noise; noise is the mean square of its
// differences.
func (g *filledGaps) report(events *eventList, noise float64) {
	for _, m := range g.mayBe {
		if m.meanSquare < noise*dsp.DBToPower(-gapUnderNoiseDB) {
			events.add(Event{"dropout", m.from, m.frames, g.channel, dsp.PowerToDB(m.meanSquare)})
		}
	}
}

// differences is the mean square of the differences between samples of the noise.
func (n *noiseSpectrum) differences() float64 {
	return n.level(func(hz float64) float64 {
		s := 2 * math.Sin(math.Pi*hz/float64(n.rate))
		return s * s
	})
}
