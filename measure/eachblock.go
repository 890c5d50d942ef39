package measure

import (
	"context"
	"errors"
	"io"
	"runtime"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/relay"
	"github.com/boothbench/boothbench/dsp/wave"
)

// fedFrames is the largest number of frames that a Write receives at a time.
const fedFrames = 4096

// EachBlock hands all of a source's sound, in order and in blocks of 4096 frames at most,
// to meters' Write. With more than one processor the meters work side by side, each on
// a stretch of its own, while the next one is read. No Write is called while a call of
// the same Write runs; different ones may run at the same time, on other goroutines.
//
// When the context ends, EachBlock ends early, with an error that wraps the context's and
// says "interrupted". A source may return its last frames together with io.EOF, or before
// it. A source that breaks its contract is an error, as in [wave.ReadNext], and so is a
// format that no file can have, such as a rate below 1000 Hz (see [wave.Format.Check]).
func EachBlock(ctx context.Context, src wave.Source, writes ...func(dsp.Block)) error {
	return EachBlockBy(ctx, runtime.GOMAXPROCS(0), src, writes...)
}

// EachBlockBy is EachBlock on a number of goroutines. With one it stays on the caller's,
// which is best where other sounds are measured at the same time.
func EachBlockBy(ctx context.Context, workers int, src wave.Source, writes ...func(dsp.Block)) error {
	if err := src.Format().Check(); err != nil {
		return err
	}
	ended := false
	steps := []relay.Step[*fed]{func(f *fed) (err error) {
		if ended {
			return io.EOF
		}
		ended, err = f.read(src)
		return err
	}}
	for _, write := range writes {
		steps = append(steps, func(f *fed) error {
			f.pass(write)
			return nil
		})
	}
	workers = max(1, min(workers, len(steps)))
	frames := fedFrames
	channels := src.Format().Channels
	if workers > 1 {
		// 256 KiB over all channels: handing over from one goroutine to another takes
		// some 50 µs.
		frames = max(frames, (1<<15)/max(1, channels))
	}
	err := relay.Run(ctx, workers, steps, func() *fed {
		return &fed{whole: dsp.NewBlock(channels, frames), part: make(dsp.Block, channels)}
	})
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return interrupted{err}
	}
	return err
}

// interrupted returns an error in plain words for a cancelled context.
type interrupted struct{ cause error }

func (interrupted) Error() string   { return "interrupted" }
func (i interrupted) Unwrap() error { return i.cause }

// fed is a part of a sound on its way through the meters.
type fed struct {
	whole  dsp.Block
	frames int
	part   dsp.Block // a part of whole
}

// read reads the next stretch and reports whether it is the last one.
func (f *fed) read(src wave.Source) (last bool, err error) {
	f.frames, err = wave.ReadNext(src, f.whole)
	if f.frames > 0 && errors.Is(err, io.EOF) {
		return true, nil // the frames are passed on before the end is
	}
	return false, err
}

func (f *fed) pass(write func(dsp.Block)) {
	for from := 0; from < f.frames; from += fedFrames {
		for c := range f.part {
			f.part[c] = f.whole[c][from:min(f.frames, from+fedFrames)]
		}
		write(f.part)
	}
}
