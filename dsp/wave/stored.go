package wave

import (
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"path/filepath"

	"github.com/boothbench/boothbench/dsp"
)

// Stored is sound that is read back channel by channel: a Sink, like Memory, that keeps
// many channels or hours in a temporary file. Close removes the file; what a killed run
// leaves is removed as that of a [Folder]. Samples come back bit for bit.
type Stored struct {
	format   Format
	channels []storedChannel
	inMemory int // samples
	most     int // samples that are kept in memory
	file     *os.File
	folder   *Folder
	length   int64 // of the file, bytes
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
func NewStored(f Format) *Stored {
	return &Stored{format: f, channels: make([]storedChannel, f.Channels), most: storedInMemory}
}

// Format is what the sound was said to be.
func (s *Stored) Format() Format { return s.format }

// Channels is the number of channels.
func (s *Stored) Channels() int { return len(s.channels) }

// Frames is how many frames the first channel has so far.
func (s *Stored) Frames() int {
	if len(s.channels) == 0 {
		return 0
	}
	return s.channels[0].frames
}

// Write appends a block. Its errors about the file are *OutputError.
func (s *Stored) Write(b dsp.Block) error {
	if len(b) != len(s.channels) {
		return fmt.Errorf("found a block of %s; accepted: %d", dsp.Plural(len(b), "plane"), len(s.channels))
	}
	for c, plane := range b {
		if err := s.Append(c, plane); err != nil {
			return err
		}
	}
	return nil
}

// Append appends samples to one channel.
func (s *Stored) Append(channel int, samples []float64) error {
	c := &s.channels[channel]
	c.last = append(c.last, samples...)
	c.frames += len(samples)
	s.inMemory += len(samples)
	switch {
	case s.file == nil && s.inMemory <= s.most:
		return nil
	case s.file != nil && len(c.last) < storedFrames:
		return nil
	case s.file != nil:
		return s.spill(c)
	}
	if err := s.create(); err != nil {
		return err
	}
	for i := range s.channels {
		if err := s.spill(&s.channels[i]); err != nil {
			return err
		}
	}
	return nil
}

func (s *Stored) create() error {
	folder, err := CreateFolder()
	if err != nil {
		return err
	}
	path := filepath.Join(folder.Path(), "sound")
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		folder.Remove()
		return &OutputError{path, "create it", bare(err)}
	}
	s.file, s.folder, s.bytes = file, folder, make([]byte, 8*storedFrames)
	return nil
}

// spill writes what a channel has in memory to the file.
func (s *Stored) spill(c *storedChannel) error {
	begin := s.length
	for rest := c.last; len(rest) > 0; {
		n := min(len(rest), storedFrames)
		for i, v := range rest[:n] {
			binary.LittleEndian.PutUint64(s.bytes[8*i:], math.Float64bits(v))
		}
		if _, err := s.file.WriteAt(s.bytes[:8*n], s.length); err != nil {
			return &OutputError{s.file.Name(), "write it", spaceMissing(bare(err), s.length, 0)}
		}
		s.length += int64(8 * n)
		rest = rest[n:]
	}
	c.stretches = append(c.stretches, stretch{begin, len(c.last)})
	s.inMemory -= len(c.last)
	if c.last = c.last[:0]; cap(c.last) > 2*storedFrames {
		c.last = nil
	}
	return nil
}

// Plane is one channel's samples, counted from 0: a copy.
func (s *Stored) Plane(channel int) ([]float64, error) {
	c := &s.channels[channel]
	plane := make([]float64, 0, c.frames)
	for _, part := range c.stretches {
		for at, left := part.at, part.frames; left > 0; {
			n := min(left, storedFrames)
			if _, err := s.file.ReadAt(s.bytes[:8*n], at); err != nil {
				return nil, fmt.Errorf("%s: cannot be read back: %w", s.file.Name(), bare(err))
			}
			for i := range n {
				plane = append(plane, math.Float64frombits(binary.LittleEndian.Uint64(s.bytes[8*i:])))
			}
			at, left = at+int64(8*n), left-n
		}
	}
	return append(plane, c.last...), nil
}

// Close removes the temporary file, if there is one. The sound is gone then.
func (s *Stored) Close() error {
	s.channels = nil
	if s.file == nil {
		return nil
	}
	s.file.Close()
	s.file = nil
	return s.folder.Remove()
}
