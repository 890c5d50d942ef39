package expect

import (
	"context"
	"errors"
	"fmt"

	"github.com/go-audio/audio"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
)

// Sound is the input of an assertion: planes, a go-audio buffer or a file.
type Sound struct {
	name string
	open func() (wave.Source, error)
}

// Named is a sound with a name for failure messages: "take 3" instead of "the
// planes".
func Named(name string, s Sound) Sound {
	s.name = name
	return s
}

// Planes is planar sound (channels x frames, full scale 1.0) at a rate in Hz.
func Planes(rate int, planes [][]float64) Sound {
	return Sound{"the planes", func() (wave.Source, error) {
		if err := dsp.Block(planes).Check(len(planes)); err != nil {
			return nil, err
		}
		if len(planes) == 0 || len(planes) > dsp.MaxChannels {
			return nil, fmt.Errorf("found %s; accepted: 1 to %d", dsp.Plural(len(planes), "channel"), dsp.MaxChannels)
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

var errNoSound = errors.New("no sound; accepted: Planes, Buffer or File")

// Open opens the sound from its start.
func (s Sound) Open() (wave.Source, error) {
	if s.open == nil {
		return nil, errNoSound
	}
	return s.open()
}

// read hands the sound to f and closes it.
func (s Sound) read(f func(wave.Source) error) error {
	src, err := s.Open()
	if err != nil {
		return err
	}
	defer planes.Close(src)
	return f(src)
}

// until is the sound, whose reading ends when a context does.
func (s Sound) until(ctx context.Context) Sound {
	return Sound{s.name, planes.Until(ctx, s.Open)}
}

// framesOf is the length of a source in frames: as the source states it,
// otherwise as counted by reading it.
func framesOf(ctx context.Context, src wave.Source) (int64, error) {
	if known, ok := planes.Unwrap(src).(interface{ Frames() int64 }); ok {
		return known.Frames(), nil
	}
	frames := int64(0)
	err := measure.EachBlock(ctx, src, func(b dsp.Block) { frames += int64(b.Frames()) })
	return frames, err
}
