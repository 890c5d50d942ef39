package wave

import (
	"fmt"
	"io"

	"github.com/boothbench/boothbench/dsp"
)

// Memory is sound in memory: a Source that gives its planes, and a Sink that
// appends to them.
type Memory struct {
	format Format
	planes dsp.Block
	read   int // frames read so far
}

// NewMemory makes a source of planar sound, which it does not copy, or, with
// planes of no frames, a sink. There is a plane for each channel of the format, and all
// have the same length; Read and Write return an error otherwise.
func NewMemory(f Format, planes dsp.Block) *Memory { return &Memory{format: f, planes: planes} }

// Unquantised is the format of planar sound in memory: 64-bit floating point.
func Unquantised(rate, channels int) Format {
	return Format{Rate: rate, Channels: channels, Encoding: Float, Bits: 64}
}

// Format is the format that the sound was created with.
func (m *Memory) Format() Format { return m.format }

// Frames is the length of the sound, read or not.
func (m *Memory) Frames() int64 { return int64(m.planes.Frames()) }

// Planes is all the sound, read or not.
func (m *Memory) Planes() dsp.Block { return m.planes }

// Read gives the next frames.
func (m *Memory) Read(b dsp.Block) (int, error) {
	if err := m.planes.Check(m.format.Channels); err != nil {
		return 0, fmt.Errorf("the sound in memory: %w", err)
	}
	if err := b.Check(m.format.Channels); err != nil {
		return 0, err
	}
	n := min(b.Frames(), m.planes.Frames()-m.read)
	if n == 0 && m.read == m.planes.Frames() {
		return 0, io.EOF
	}
	for c := range b {
		copy(b[c][:n], m.planes[c][m.read:])
	}
	m.read += n
	return n, nil
}

// SeekFrame makes the next Read begin at a frame.
func (m *Memory) SeekFrame(frame int64) error {
	if frame < 0 || frame > int64(m.planes.Frames()) {
		return fmt.Errorf("frame %d: %w; accepted: 0 to %d", frame, ErrNoFrame, m.planes.Frames())
	}
	m.read = int(frame)
	return nil
}

// Write appends a copy of the block.
func (m *Memory) Write(b dsp.Block) error {
	if err := b.Check(len(m.planes)); err != nil {
		return err
	}
	for c := range b {
		m.planes[c] = append(m.planes[c], b[c]...)
	}
	return nil
}
