package compare

import (
	"errors"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

const (
	mostOrdered  = 8    // channels that may be in another order
	leastOrdered = 0.75 // correlation of a channel of B with that of A which it holds
)

// findOrder looks for the loudest channel of A in each channel of B, where the two do not
// agree channel by channel, and for the order of all of them there.
func (c *Comparison) findOrder(a, b func() (wave.Source, error), pa, pb *profile) error {
	if c.Channels < 2 || c.Channels > mostOrdered {
		return nil
	}
	reference := loudestInBoth(pa, pa)
	best, there := candidate{speed: 1, needed: 1}, placement{}
	for channel := range c.Channels {
		if channel == reference || planes.Sum(pb.energy[channel]) == 0 {
			continue
		}
		of := func(open func() (wave.Source, error), p *profile, channel int) (func() (wave.Source, error), *profile) {
			return oneChannel(open, channel), &profile{format: p.format, frames: p.frames, energy: [][]float64{p.energy[channel]}}
		}
		search := aligner{rate: c.Rate}
		search.short, search.shortP = of(a, pa, reference)
		search.long, search.longP = of(b, pb, channel)
		turned := pb.frames < pa.frames
		if turned {
			search.short, search.long, search.shortP, search.longP = search.long, search.short, search.longP, search.shortP
		}
		found := candidate{speed: 1, needed: 1}
		if err := search.findPassage(&found); err != nil {
			return err
		}
		if found.enough() && math.Abs(found.correlation) > math.Abs(best.correlation) {
			if best, there = found, found.placement(); turned {
				there = there.turned()
			}
		}
	}
	if !best.enough() {
		return nil
	}
	return c.orderAt(there.longest(c.FramesA, c.FramesB), a, b, pa)
}

// orderAt finds which channel of A each channel of B holds at a place. If that is another one
// for any, and each channel is found, the two are not compared.
func (c *Comparison) orderAt(q piece, a, b func() (wave.Source, error), pa *profile) error {
	frames := int(min(lagFrames, q.to-q.from))
	if c.Channels > mostOrdered || frames < 1024 {
		return nil
	}
	windows := (aligner{shortP: pa, channel: loudestInBoth(pa, pa)}).loudWindows(q.from, q.to, frames)
	windows = windows[:min(len(windows), lagWindows)]
	there := make([]planes.Extent, len(windows))
	for i, w := range windows {
		there[i] = planes.Extent{From: int64(math.Floor(q.At(int(w.From)))) - timemap.Taps, Frames: spanned(frames, q.Speed) + 2*timemap.Taps}
	}
	x, y := make([][]float64, c.Channels), make([][]float64, c.Channels) // the windows' differences, joined
	for channel := range c.Channels {
		here, err := planes.Gather(a, channel, windows)
		if err != nil {
			return err
		}
		sound, err := planes.Gather(b, channel, there)
		if err != nil {
			return err
		}
		for i, w := range windows {
			at := timemap.Map{Delay: q.At(int(w.From)) - float64(there[i].From), Speed: q.Speed}
			x[channel] = append(x[channel], differences1(here[i])[1:]...)
			y[channel] = append(y[channel], differences1(at.Resample(sound[i], 0, frames))[1:]...)
		}
	}
	order, held, moved := make([]int, c.Channels), make([]bool, c.Channels), false
	for j := range y {
		best := j
		most := correlation(x[j], y[j])
		own := most
		for i := range x {
			// Another one must explain what the own one leaves, to half: channels may be alike.
			if r := correlation(x[i], y[j]); r > most && 1-r*r < 0.5*(1-own*own) {
				best, most = i, r
			}
		}
		if held[best] || best != j && most < leastOrdered {
			return nil
		}
		order[j], held[best] = best, true
		moved = moved || best != j
	}
	if moved {
		c.order, c.Same = order, false
	}
	return nil
}

// orderDifferences are the channels of B that hold another one of A.
func (c *Comparison) orderDifferences() (all []Difference) {
	for channel, of := range c.order {
		if of != channel {
			d := c.difference(ChannelOrder, float64(of+1), "channel")
			d.Channel = channel
			all = append(all, d)
		}
	}
	return all
}

// oneChannel opens one channel of a sound.
func oneChannel(open func() (wave.Source, error), channel int) func() (wave.Source, error) {
	return func() (wave.Source, error) {
		src, err := open()
		if err != nil {
			return nil, err
		}
		return &channelOf{src, channel, dsp.NewBlock(src.Format().Channels, pairFrames)}, nil
	}
}

// channelOf is one channel of a source.
type channelOf struct {
	wave.Source
	channel int
	held    dsp.Block
}

func (s *channelOf) Format() wave.Format {
	f := s.Source.Format()
	f.Channels = 1
	return f
}

func (s *channelOf) Read(b dsp.Block) (int, error) {
	part := planes.Before(s.held, b.Frames())
	n, err := s.Source.Read(part)
	copy(b[0], part[s.channel][:n])
	return n, err
}

func (s *channelOf) Close() error {
	planes.Close(s.Source)
	return nil
}

// SeekFrame is that of the source.
func (s *channelOf) SeekFrame(frame int64) error {
	if seeker, ok := s.Source.(interface{ SeekFrame(int64) error }); ok {
		return seeker.SeekFrame(frame)
	}
	return errors.ErrUnsupported
}
