package wave

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
)

// Stored is sound that is read back channel by channel: a Sink, like Memory, that keeps
// large sounds in a temporary file, a [Scratch]. Samples come back bit for bit.
type Stored struct {
	format   Format
	channels []storedChannel
	inMemory int // samples
	most     int // samples that are kept in memory
	spilled  bool
	scratch  Scratch
	bytes    []byte
}

// storedChannel is one channel: stretches of the file, in their order, and what follows.
type storedChannel struct {
	frames    int
	stretches []stretch
	last      []float64
}

type stretch struct {
	at     int64 // byte
	frames int
}

const (
	// storedInMemory is how many samples are kept without a file: 64 MB.
	storedInMemory = 8 << 20
	// storedFrames is how many frames of a channel are written to the file at once.
	storedFrames = 8192
)

// NewStored makes an empty sound of a format.
func NewStored(f Format) *Stored { return NewStoredWithin(f, storedInMemory) }

// NewStoredWithin is NewStored with the number of samples that are kept in memory.
func NewStoredWithin(f Format, samples int) *Stored {
	return &Stored{format: f, channels: make([]storedChannel, f.Channels), most: samples}
}

// Format is the format that the sound was created with.
func (s *Stored) Format() Format { return s.format }

// Channels is the number of channels.
func (s *Stored) Channels() int { return len(s.channels) }

// Frames is the number of frames in the first channel so far.
func (s *Stored) Frames() int {
	if len(s.channels) == 0 {
		return 0
	}
	return s.channels[0].frames
}

// Write appends a block. Its errors about the file are *OutputError.
func (s *Stored) Write(b dsp.Block) error {
	if err := b.Check(len(s.channels)); err != nil {
		return err
	}
	for c, plane := range b {
		if err := s.Append(c, plane); err != nil {
			return err
		}
	}
	return nil
}

// Reserve prepares memory for a number of samples of a channel, unless they are too many to
// be kept in memory.
func (s *Stored) Reserve(channel, frames int) {
	if c := &s.channels[channel]; !s.spilled && s.inMemory+frames-c.frames <= s.most && frames > c.frames {
		c.last = slices.Grow(c.last, frames-c.frames)
	}
}

// check returns an error if there is no such channel.
func (s *Stored) check(channel int) error {
	if channel < 0 || channel >= len(s.channels) {
		return fmt.Errorf("found channel %d of a stored sound; accepted: %d, counted from 0, and none after Close", channel, len(s.channels))
	}
	return nil
}

// Append appends samples to one channel, counted from 0. Its errors about the file are
// *OutputError.
func (s *Stored) Append(channel int, samples []float64) error {
	if err := s.check(channel); err != nil {
		return err
	}
	c := &s.channels[channel]
	c.last = append(c.last, samples...)
	c.frames += len(samples)
	s.inMemory += len(samples)
	switch {
	case !s.spilled && s.inMemory <= s.most:
		return nil
	case s.spilled && len(c.last) < storedFrames:
		return nil
	case s.spilled:
		return s.spill(c)
	}
	s.spilled, s.bytes = true, make([]byte, 8*storedFrames)
	for i := range s.channels {
		if err := s.spill(&s.channels[i]); err != nil {
			return err
		}
	}
	return nil
}

// spill writes what a channel has in memory to the file.
func (s *Stored) spill(c *storedChannel) error {
	for rest := c.last; len(rest) > 0; {
		n := min(len(rest), storedFrames)
		for i, v := range rest[:n] {
			binary.LittleEndian.PutUint64(s.bytes[8*i:], math.Float64bits(v))
		}
		at, err := s.scratch.Append(s.bytes[:8*n])
		if err != nil {
			return err
		}
		c.stretches = append(c.stretches, stretch{at, n})
		rest = rest[n:]
	}
	s.inMemory -= len(c.last)
	if c.last = c.last[:0]; cap(c.last) > 2*storedFrames {
		c.last = nil
	}
	return nil
}

// Plane returns a copy of one channel's samples; channels count from 0.
func (s *Stored) Plane(channel int) ([]float64, error) {
	if err := s.check(channel); err != nil {
		return nil, err
	}
	c := &s.channels[channel]
	plane := make([]float64, 0, c.frames)
	for _, part := range c.stretches {
		b := s.bytes[:8*part.frames]
		if err := s.scratch.Read(b, part.at); err != nil {
			return nil, err
		}
		for i := range part.frames {
			plane = append(plane, math.Float64frombits(binary.LittleEndian.Uint64(b[8*i:])))
		}
	}
	return append(plane, c.last...), nil
}

// Close removes the temporary file, if there is one, and with it the sound.
func (s *Stored) Close() error {
	s.channels = nil
	return s.scratch.Close()
}
