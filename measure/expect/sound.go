package expect

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/go-audio/audio"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// Sound is what an assertion looks at: planes, a go-audio buffer or a file.
type Sound struct {
	name string
	open func() (wave.Source, error)
}

// Planes is planar sound (channels x frames, full scale 1.0) at a rate in Hz.
func Planes(rate int, planes [][]float64) Sound {
	return Sound{"the planes", func() (wave.Source, error) {
		for c := range planes {
			if len(planes[c]) != len(planes[0]) {
				return nil, fmt.Errorf("channel %d has %d frames, channel 1 has %d; accepted: equal lengths", c+1, len(planes[c]), len(planes[0]))
			}
		}
		if len(planes) == 0 || len(planes) > dsp.MaxChannels {
			return nil, fmt.Errorf("found %d channels; accepted: 1 to %d", len(planes), dsp.MaxChannels)
		}
		return wave.NewMemory(wave.Unquantised(rate, len(planes)), planes), nil
	}}
}

// Buffer is a go-audio buffer, interleaved, its samples as they are: full scale
// 1.0.
func Buffer(buf *audio.FloatBuffer) Sound {
	return Sound{"the buffer", func() (wave.Source, error) {
		planes, err := wave.FromFloatBuffer(buf)
		if err != nil {
			return nil, err
		}
		return wave.NewMemory(wave.Unquantised(buf.Format.SampleRate, len(planes)), planes), nil
	}}
}

// File is a WAV file.
func File(path string) Sound {
	return Sound{path, func() (wave.Source, error) {
		r, err := wave.Open(path)
		if err != nil {
			return nil, err // not r: a nil pointer in an interface is not nil
		}
		return r, nil
	}}
}

// Open opens the sound from its start.
func (s Sound) Open() (wave.Source, error) {
	if s.open == nil {
		return nil, errors.New("no sound; accepted: Planes, Buffer or File")
	}
	return s.open()
}

// read hands the sound to f and closes it.
func (s Sound) read(f func(wave.Source) error) error {
	src, err := s.Open()
	if err != nil {
		return err
	}
	defer closeSource(src)
	return f(src)
}

func closeSource(src wave.Source) {
	if c, ok := src.(io.Closer); ok {
		c.Close()
	}
}

// until is the sound, ending with a context.
func (s Sound) until(ctx context.Context) Sound {
	return Sound{s.name, func() (wave.Source, error) {
		src, err := s.Open()
		if err != nil {
			return nil, err
		}
		return &stoppable{src, ctx}, nil
	}}
}

// stoppable is a source that ends with a context.
type stoppable struct {
	wave.Source
	ctx context.Context
}

func (s *stoppable) Read(b dsp.Block) (int, error) {
	if err := s.ctx.Err(); err != nil {
		return 0, err
	}
	return s.Source.Read(b)
}

func (s *stoppable) Close() error {
	closeSource(s.Source)
	return nil
}

// SeekFrame makes the next Read begin at a frame, where the source can.
func (s *stoppable) SeekFrame(frame int64) error {
	if at, ok := s.Source.(interface{ SeekFrame(int64) error }); ok {
		return at.SeekFrame(frame)
	}
	return errors.ErrUnsupported
}

// framesOf is the length of a source in frames: what it says, or else what can be
// read from it.
func framesOf(src wave.Source) (int64, error) {
	if s, ok := src.(*stoppable); ok {
		src = s.Source
	}
	if known, ok := src.(interface{ Frames() int64 }); ok {
		return known.Frames(), nil
	}
	frames := int64(0)
	err := measure.EachBlock(src, func(b dsp.Block) { frames += int64(b.Frames()) })
	return frames, err
}
