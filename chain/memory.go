package chain

import (
	"io"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// memory is planar sound as a Source and a Sink.
type memory struct {
	format wave.Format
	planes [][]float64
	read   int // frames read so far
}

func (m *memory) Format() wave.Format { return m.format }

func (m *memory) Read(b dsp.Block) (int, error) {
	n := min(b.Frames(), dsp.Block(m.planes).Frames()-m.read)
	if n == 0 {
		return 0, io.EOF
	}
	for c := range b {
		copy(b[c][:n], m.planes[c][m.read:])
	}
	m.read += n
	return n, nil
}

func (m *memory) Write(b dsp.Block) error {
	for c := range b {
		m.planes[c] = append(m.planes[c], b[c]...)
	}
	return nil
}
