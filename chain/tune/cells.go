package tune

import (
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
)

// peakCells finds the largest true peak of each cell of a sound, over all channels that share a
// gain. It uses the samples and the interpolator of Rec. ITU-R BS.1770-5 Annex 2. Its output is
// delayed by the look-ahead of the interpolator.
type peakCells struct {
	cell     int // frames
	share    int // channels that share a gain
	annex2   *dsp.Polyphase
	windows  [][]float64 // per channel: the past frames that readings need, and the new ones
	readings [][]float64 // per channel and position
	skip     int         // positions before the first frame
	left     int         // positions left in the current cell
	running  []float64   // largest peak of the current cell, per path
	take     func(peaks []float64)
}

func newPeakCells(rate, channels, share int, take func([]float64)) *peakCells {
	p := &peakCells{cell: dsp.ForecastCellFrames(rate), share: share, annex2: dsp.Annex2(), take: take}
	p.skip, p.left = p.annex2.Half(), p.cell
	p.windows, p.readings = make([][]float64, channels), make([][]float64, channels)
	for c := range p.windows {
		p.windows[c] = make([]float64, 2*p.annex2.Half()-1)
	}
	p.running = make([]float64, channels/share)
	return p
}

// write processes a block.
func (p *peakCells) write(b dsp.Block) {
	frames := b.Frames()
	past, half := 2*p.annex2.Half()-1, p.annex2.Half()
	for c, plane := range b {
		p.windows[c] = append(p.windows[c][:past], plane...)
		if cap(p.readings[c]) < frames {
			p.readings[c] = make([]float64, frames)
		}
		p.readings[c] = p.readings[c][:frames]
		p.annex2.Peaks(p.windows[c], p.readings[c])
	}
	for from := min(frames, p.skip); from < frames; {
		to := min(frames, from+p.left)
		for c, window := range p.windows {
			// The interpolator reads halfway between its window's two middle samples.
			peak := max(vector.Peak(p.readings[c][from:to]), vector.Peak(window[half-1+from:half-1+to]))
			p.running[c/p.share] = max(p.running[c/p.share], peak)
		}
		if p.left -= to - from; p.left == 0 {
			p.complete()
		}
		from = to
	}
	p.skip -= min(frames, p.skip)
	for _, window := range p.windows {
		copy(window, window[frames:])
	}
}

// end adds the silence after the last frame, and completes the last cell, which may be short.
func (p *peakCells) end() {
	p.write(dsp.NewBlock(len(p.windows), p.annex2.Half()))
	if p.left < p.cell {
		p.complete()
	}
}

func (p *peakCells) complete() {
	p.take(p.running)
	clear(p.running)
	p.left = p.cell
}
