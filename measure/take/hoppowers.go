package take

import "github.com/boothbench/boothbench/dsp"

// hopPowers are the mean squares of a take's bands in each hop. They are kept by channel,
// since a voice may be on one channel only.
type hopPowers struct {
	bands    *dsp.Bands
	channels int
	part     dsp.Block // of the running block
	hop      int       // frames
	filled   int       // of the running hop
	means    []float64 // by channel
}

// hopOf is the length of a hop in frames at a rate in Hz.
func hopOf(rate int) int { return rate * hopMs / 1000 }

func newHopPowers(rate, channels int, series [][]dsp.Biquad, singles []dsp.Biquad) hopPowers {
	return hopPowers{bands: dsp.NewBands(series, singles, channels), channels: channels, part: make(dsp.Block, channels), hop: hopOf(rate), means: make([]float64, channels)}
}

// write reads a block, and calls complete at the end of each hop, to collect the hop's
// mean squares.
func (h *hopPowers) write(b dsp.Block, complete func()) {
	for from := 0; from < b.Frames(); {
		n := min(b.Frames()-from, h.hop-h.filled)
		for c := range h.part {
			h.part[c] = b[c][from : from+n]
		}
		h.bands.Add(h.part)
		from += n
		if h.filled += n; h.filled == h.hop {
			complete()
			h.filled = 0
		}
	}
}

// series are the mean squares of a band of four sections in the hop, by channel, valid
// until the next are asked for.
func (h *hopPowers) series(band int) []float64 {
	for c := range h.means {
		h.means[c] = h.bands.TakeSeries(c, band) / float64(h.hop)
	}
	return h.means
}

// single is series of a band of one section.
func (h *hopPowers) single(band int) []float64 {
	for c := range h.means {
		h.means[c] = h.bands.TakeSingle(c, band) / float64(h.hop)
	}
	return h.means
}
