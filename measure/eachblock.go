package measure

import (
	"context"
	"runtime"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/relay"
	"github.com/boothbench/boothbench/dsp/wave"
)

// fedFrames is the most that a Write is given at a time.
const fedFrames = 4096

// EachBlock hands all of a source's sound, in order and in blocks of 4096 frames at most,
// to meters' Write. With more than one processor the meters work side by side, each on
// a stretch of its own, while the next one is read: a Write is never called twice at
// a time, but two may be, and from other goroutines.
func EachBlock(src wave.Source, writes ...func(dsp.Block)) error {
	steps := []relay.Step[*fed]{func(f *fed) error { return f.read(src) }}
	for _, write := range writes {
		steps = append(steps, func(f *fed) error {
			f.pass(write)
			return nil
		})
	}
	workers := min(runtime.GOMAXPROCS(0), len(steps))
	frames := fedFrames
	channels := src.Format().Channels
	if workers > 1 {
		// 256 KiB over all channels: handing over from one goroutine to another takes
		// some 50 µs.
		frames = max(frames, (1<<15)/max(1, channels))
	}
	return relay.Run(context.Background(), workers, steps, func() *fed {
		return &fed{whole: dsp.NewBlock(channels, frames), part: make(dsp.Block, channels)}
	})
}

// fed is a stretch of sound on its way through the meters.
type fed struct {
	whole  dsp.Block
	frames int
	part   dsp.Block // of it
}

func (f *fed) read(src wave.Source) (err error) {
	f.frames, err = src.Read(f.whole)
	return err // io.EOF comes alone
}

func (f *fed) pass(write func(dsp.Block)) {
	for from := 0; from < f.frames; from += fedFrames {
		for c := range f.part {
			f.part[c] = f.whole[c][from:min(f.frames, from+fedFrames)]
		}
		write(f.part)
	}
}
