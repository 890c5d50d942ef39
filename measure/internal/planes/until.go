package planes

import (
	"context"
	"errors"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// Until opens sources whose Read fails with the context's error once it has ended.
func Until(ctx context.Context, open func() (wave.Source, error)) func() (wave.Source, error) {
	return func() (wave.Source, error) {
		src, err := open()
		if err != nil {
			return nil, err
		}
		return &stoppable{src, ctx}, nil
	}
}

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

// Close closes the source if it can be closed.
func (s *stoppable) Close() error {
	Close(s.Source)
	return nil
}

// SeekFrame makes the next Read begin at a frame, where the source can.
func (s *stoppable) SeekFrame(frame int64) error {
	if at, ok := s.Source.(interface{ SeekFrame(int64) error }); ok {
		return at.SeekFrame(frame)
	}
	return errors.ErrUnsupported
}

// Unwrap is the source behind one of [Until], and any other source itself.
func Unwrap(src wave.Source) wave.Source {
	if s, ok := src.(*stoppable); ok {
		return s.Source
	}
	return src
}
