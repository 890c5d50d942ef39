// Package relay spreads the work on blocks of sound over goroutines: each
// goroutine takes a block through all the steps, after the block before it.
package relay

import (
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"
	"runtime/debug"
	"sync"
	"sync/atomic"
)

// A Step does its part of the work on a job. The first one fills the job and
// returns io.EOF when there is nothing left, and is not called again. From any other
// step io.EOF is an error like all others.
type Step[Job any] func(Job) error

// Run carries jobs through the steps with a number of workers. A worker takes each
// of its jobs through all the steps. Jobs enter each step one at a time and in
// order, because the right to enter a step passes from worker to worker. The
// workers therefore spread over the steps by themselves, whatever each step costs,
// and the result does not depend on their number. newJob is called once for each
// worker.
//
// The error is that of the first step that failed, or the context's cause. A panic
// in a step is raised again in the caller's goroutine. Without steps there is nothing
// to do.
func Run[Job any](ctx context.Context, workers int, steps []Step[Job], newJob func() Job) error {
	if len(steps) == 0 {
		return nil
	}
	if workers <= 1 {
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

	over := false // the first step found nothing left; only who has its turn looks
	carry := func(w int, j Job) {
		for {
			for s, do := range steps {
				if !await(ctx, turns[s][w]) {
					return
				}
				err := io.EOF
				if s > 0 || !over {
					err = do(j)
				}
				if err != nil && !isEnd(s, err) {
					cancel(early(err)) // and no worker enters this step again
					return
				}
				if s == 0 {
					over = err != nil
				}
				turns[s][(w+1)%workers] <- struct{}{}
				if err != nil {
					return
				}
			}
		}
	}

	var group sync.WaitGroup
	var fault atomic.Pointer[string] // a worker's panic, which is the caller's
	for w := range workers {
		group.Go(func() {
			defer func() {
				if p := recover(); p != nil {
					text := fmt.Sprintf("%v\n%s", p, debug.Stack())
					fault.CompareAndSwap(nil, &text)
					cancel(errors.New("a step panicked"))
				}
			}()
			carry(w, newJob())
		})
	}
	group.Wait()
	if text := fault.Load(); text != nil {
		panic(*text)
	}
	return context.Cause(ctx)
}

// await waits for a turn and returns false if the context ends. Sleeping and waking
// a goroutine takes about 50 µs on a virtual machine: therefore it polls at first, and
// lets others run between polls. It does so for a few µs only: polling for 50 µs took a
// tenth of the processor time of process and of inspect, and saved no time on the clock.
func await(ctx context.Context, turn <-chan struct{}) bool {
	for range 30 {
		select {
		case <-turn:
			return ctx.Err() == nil
		default:
			runtime.Gosched()
		}
	}
	select {
	case <-turn:
		return ctx.Err() == nil
	case <-ctx.Done():
		return false
	}
}

// alone is Run for one worker, which never waits.
func alone[Job any](ctx context.Context, steps []Step[Job], j Job) error {
	for {
		for s, do := range steps {
			if err := do(j); err != nil && isEnd(s, err) {
				return nil
			} else if err != nil {
				return early(err)
			}
		}
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
	}
}

// isEnd reports whether a step's error is the end of all jobs: io.EOF of the first step.
func isEnd(step int, err error) bool { return step == 0 && errors.Is(err, io.EOF) }

// early returns an error of a step in words where it is io.EOF.
func early(err error) error {
	if errors.Is(err, io.EOF) {
		return fmt.Errorf("what takes the result ended early: %w", err)
	}
	return err
}
