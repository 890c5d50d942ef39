package take

import (
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/planes"
)

// hopPowers are the mean squares of one band of a take, hop by hop: of each channel,
// since who speaks may be on one only.
type hopPowers struct {
	band   *dsp.Cascade
	work   dsp.Block
	hop    int             // frames
	filled int             // of the running hop
	sums   []float64       // of the running hop, by channel
	tap    func(dsp.Block) // receives what the band passes; nil: nobody asks
}

// hopOf is the length of a hop in frames at a rate in Hz.
func hopOf(rate int) int { return rate * hopMs / 1000 }

func newHopPowers(rate, channels int, band []dsp.Biquad) hopPowers {
	hop := hopOf(rate)
	return hopPowers{band: dsp.NewCascade(band, channels), work: dsp.NewBlock(channels, hop), hop: hop, sums: make([]float64, channels)}
}

// write takes a block in, and hands on the mean squares of each hop that it completes.
func (h *hopPowers) write(b dsp.Block, complete func(meanSquares []float64)) {
	for from := 0; from < b.Frames(); {
		n := min(b.Frames()-from, h.hop-h.filled)
		for c := range h.work {
			h.work[c] = h.work[c][:n]
			copy(h.work[c], b[c][from:])
		}
		h.band.Process(h.work)
		if h.tap != nil {
			h.tap(h.work)
		}
		for c, plane := range h.work {
			h.sums[c] += planes.SumOfSquares(plane)
		}
		from += n
		if h.filled += n; h.filled == h.hop {
			for c := range h.sums {
				h.sums[c] /= float64(h.hop)
			}
			complete(h.sums)
			clear(h.sums)
			h.filled = 0
		}
	}
}
