package stimulus

import (
	"fmt"

	"github.com/boothbench/boothbench/dsp"
)

// Make returns the signal between its marks, channels x frames, and where its
// parts lie. The marks are in all channels, in each with its own code.
func (m Marked) Make() (dsp.Block, Layout, error) {
	p, err := m.Parts()
	if err != nil {
		return nil, Layout{}, err
	}
	b := dsp.NewBlock(p.Channels(), p.Layout.Frames)
	p.Fill(b, 0)
	return b, p.Layout, nil
}

// Parts makes a marked signal block by block, since all of many channels at once takes much
// memory.
type Parts struct {
	Layout  Layout
	marked  Marked
	signal  dsp.Block
	marks   [2][]float64 // up, down
	symbols [2][]float64 // of a 0 bit, of a 1 bit
}

// Parts makes what all blocks have in common.
func (m Marked) Parts() (*Parts, error) {
	if m.Rate < leastMarkRate {
		return nil, &dsp.SettingError{Setting: "rate", Found: fmt.Sprintf("%d Hz", m.Rate), Accepted: fmt.Sprintf("%d Hz or more, for the marks", leastMarkRate)}
	}
	if err := checkMark(m.MarkDBFS); err != nil {
		return nil, err
	}
	signal, err := m.Signal.Make(m.Rate)
	if err != nil {
		return nil, err
	}
	p := &Parts{Layout: LayoutOf(m.Rate, signal.Frames()), marked: m, signal: signal}
	p.Layout.MarkDBFS = m.markDBFS(signal)
	peak := dsp.DBToAmplitude(p.Layout.MarkDBFS)
	wave := func(c Chirp) []float64 {
		x := c.Wave(float64(m.Rate))
		for n := range x {
			x[n] *= peak
		}
		return x
	}
	p.marks = [2][]float64{wave(MarkChirp(m.Rate, true)), wave(MarkChirp(m.Rate, false))}
	p.symbols = [2][]float64{wave(SymbolChirp(m.Rate, false)), wave(SymbolChirp(m.Rate, true))}
	return p, nil
}

// Channels is the number of channels.
func (p *Parts) Channels() int { return len(p.signal) }

// Fill fills a block of all channels from a frame of the stimulus on. After its end there is
// silence.
func (p *Parts) Fill(b dsp.Block, from int) {
	for c, plane := range b {
		p.fill(plane, c, from)
	}
}

// Channel is the whole sound of one channel, counted from 0.
func (p *Parts) Channel(channel int) []float64 {
	plane := make([]float64, p.Layout.Frames)
	p.fill(plane, channel, 0)
	return plane
}

func (p *Parts) fill(plane []float64, channel, from int) {
	clear(plane)
	put := func(at int, x []float64) {
		first, end := max(at, from), min(at+len(x), from+len(plane))
		if first < end {
			copy(plane[first-from:end-from], x[first-at:])
		}
	}
	put(p.Layout.StartMark, p.marks[0])
	for i, bit := range spell(p.marked.ChannelCode(channel)) {
		symbol := p.symbols[0]
		if bit {
			symbol = p.symbols[1]
		}
		put(p.Layout.Code+i*p.Layout.Symbol, symbol)
	}
	put(p.Layout.Signal, p.signal[channel])
	put(p.Layout.EndMark, p.marks[1])
}
