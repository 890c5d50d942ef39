package chain

import (
	"context"
	"errors"
	"io"
	"sync"

	"github.com/boothbench/boothbench/dsp"
)

// A job is a block on its way through the steps, with the memory they need.
type job struct {
	memory, gainMemory dsp.Block
	block, gain, out   dsp.Block // views of the memory, of the block's length

	frame int64 // of the block's first frame, counted from the input's first
	end   int64 // the input's frames; endless while it goes on
}

func newJob(channels, frames int, traced bool) *job {
	j := &job{memory: dsp.NewBlock(channels, frames), block: make(dsp.Block, channels), out: make(dsp.Block, channels)}
	if traced {
		j.gainMemory, j.gain = dsp.NewBlock(channels, frames), make(dsp.Block, channels)
	}
	return j
}

// endless is more frames than any input has, and no overflow when added to.
const endless = 1 << 62

func (j *job) capacity() int { return j.memory.Frames() }

func (j *job) resize(frames int) {
	for c := range j.block {
		j.block[c] = j.memory[c][:frames]
		if j.gain != nil {
			j.gain[c] = j.gainMemory[c][:frames]
		}
	}
}

// inside is the part of the block that holds the input's own frames, late by
// delay: not the latency before them, nor what sounds on after the last.
func (j *job) inside(delay int) (from, to int) {
	frames := int64(j.block.Frames())
	first := j.frame - int64(delay)
	return int(min(frames, max(0, -first))), int(min(frames, max(0, j.end-first)))
}

// A step does its part of the work on a job. The first one fills the job and
// returns io.EOF when there is nothing left.
type step func(*job) error

// relay carries jobs through the steps with a number of workers. Worker w
// takes every job through all the steps; jobs enter each step one at a time
// and in order, because the right to enter a step passes from worker to
// worker. So the workers spread over the steps by themselves, whatever each
// step costs, and the result does not depend on their number.
func relay(ctx context.Context, workers int, steps []step, newJob func() *job) error {
	if workers == 1 {
		return alone(ctx, steps, newJob())
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)

	turns := make([][]chan struct{}, len(steps)) // [step][worker]
	for s := range turns {
		turns[s] = make([]chan struct{}, workers)
		for w := range turns[s] {
			turns[s][w] = make(chan struct{}, 1)
		}
		turns[s][0] <- struct{}{}
	}

	carry := func(w int, j *job) {
		for {
			for s, do := range steps {
				select {
				case <-turns[s][w]:
				case <-ctx.Done():
					return
				}
				if ctx.Err() != nil {
					return
				}
				err := do(j)
				if err != nil && !errors.Is(err, io.EOF) {
					cancel(err) // and nobody enters this step again
					return
				}
				turns[s][(w+1)%workers] <- struct{}{}
				if err != nil {
					return
				}
			}
		}
	}

	var group sync.WaitGroup
	for w := range workers {
		group.Go(func() { carry(w, newJob()) })
	}
	group.Wait()
	return context.Cause(ctx)
}

// alone is relay for one worker, who need not wait for anybody.
func alone(ctx context.Context, steps []step, j *job) error {
	for {
		for _, do := range steps {
			if err := do(j); errors.Is(err, io.EOF) {
				return nil
			} else if err != nil {
				return err
			}
		}
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
	}
}
