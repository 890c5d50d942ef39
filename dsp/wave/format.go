package wave

import (
	"fmt"
	"io"

	"github.com/boothbench/boothbench/dsp"
)

// Encoding is the way a sample is written.
type Encoding int

// The encodings.
const (
	Integer Encoding = iota // two's complement; unsigned at 8 bits
	Float                   // IEEE 754
)

func (e Encoding) String() string {
	if e == Float {
		return "floating point"
	}
	return "integer"
}

// Format describes how a file stores its samples.
type Format struct {
	Rate          int // frames per second, Hz
	Channels      int
	Encoding      Encoding
	Bits          int    // bits a sample that count: 8 to 32 integer, 32 or 64 floating point
	ContainerBits int    // bits a sample takes up, a multiple of 8; 0: the fewest that hold Bits
	ChannelMask   uint32 // speaker positions as in WAVE_FORMAT_EXTENSIBLE, 0: not stated
}

func (f Format) String() string {
	return fmt.Sprintf("%s, %d Hz, %d-bit %v", dsp.Plural(f.Channels, "channel"), f.Rate, f.Bits, f.Encoding)
}

// container returns the number of bytes per sample.
func (f Format) container() int {
	if f.ContainerBits == 0 {
		return (f.Bits + 7) / 8
	}
	return f.ContainerBits / 8
}

// frameBytes returns the number of bytes per frame.
func (f Format) frameBytes() int { return f.container() * f.Channels }

// Check returns a *FormatError if no file can have the format.
func (f Format) Check() error {
	refuse := func(found, accepted string) error { return &FormatError{Found: found, Accepted: accepted} }
	switch {
	case f.Rate < minRate || f.Rate > maxRate:
		return refuse(fmt.Sprintf("a sample rate of %d Hz", f.Rate), fmt.Sprintf("%d to %d Hz", minRate, maxRate))
	case f.Channels < 1 || f.Channels > dsp.MaxChannels:
		return refuse(fmt.Sprintf("%d channels", f.Channels), fmt.Sprintf("1 to %d", dsp.MaxChannels))
	case f.ContainerBits%8 != 0 || f.ContainerBits != 0 && f.ContainerBits < f.Bits:
		return refuse(fmt.Sprintf("%d bits in a container of %d", f.Bits, f.ContainerBits), "a whole number of bytes that holds the bits")
	case f.Encoding == Float && (f.Bits != 32 && f.Bits != 64 || f.container() != f.Bits/8):
		return refuse(fmt.Sprintf("%d-bit floating point in %d bytes", f.Bits, f.container()), "32 or 64 bits, in as many")
	case f.Encoding == Integer && (f.Bits < 8 || f.Bits > 32 || f.container() > 4):
		return refuse(fmt.Sprintf("%d-bit integers in %d bytes", f.Bits, f.container()), "8 to 32 bits in up to 4 bytes")
	}
	return nil
}

// minRate and maxRate are bounds on what a header may claim, beyond any rate in use for
// sound: at a few hertz, filters and frames of milliseconds have no meaning.
const minRate, maxRate = 1000, 10_000_000

// Source delivers sound block by block.
type Source interface {
	Format() Format
	// Read fills the first frames of each plane and returns their number; at
	// the end it returns io.EOF, with the last frames or alone. No frames and no
	// error are not the end: the reader asks again, a hundred times at most.
	Read(b dsp.Block) (frames int, err error)
}

// mostEmptyReads is how many reads without frames and without an error may follow each
// other, as in package bufio.
const mostEmptyReads = 100

// ReadNext reads the next frames of a source into a block that is not empty: one frame at
// least, unless there is an error, which is io.EOF at the end. A source that breaks the
// contract of Read is an error that says how: one that returns more frames than it was
// asked for, or fewer than none, or, with an error that wraps io.ErrNoProgress, nothing
// for too long.
func ReadNext(src Source, b dsp.Block) (frames int, err error) {
	for range mostEmptyReads {
		frames, err = src.Read(b)
		if frames < 0 || frames > b.Frames() {
			return 0, fmt.Errorf("the source returned %d frames for a block of %d; accepted: 0 to %d", frames, b.Frames(), b.Frames())
		}
		if frames > 0 || err != nil {
			return frames, err
		}
	}
	return 0, fmt.Errorf("the source returned no frames and no error %d times in a row: %w", mostEmptyReads, io.ErrNoProgress)
}

// Sink takes sound block by block. It does not keep the block.
type Sink interface {
	Write(b dsp.Block) error
}
