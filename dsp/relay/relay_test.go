package relay

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"
)

// count is a first step that fills a hundred jobs.
func count() Step[*int] {
	n := 0
	return func(j *int) error {
		if n++; n > 100 {
			return io.EOF
		}
		*j = n
		return nil
	}
}

// Jobs pass every step in order, whatever the number of workers.
func TestJobsPassEveryStepInOrder(t *testing.T) {
	for workers := range 6 {
		var seen [2][]int
		steps := []Step[*int]{count()}
		for s := range seen {
			steps = append(steps, func(j *int) error {
				seen[s] = append(seen[s], *j)
				return nil
			})
		}
		if err := Run(t.Context(), workers, steps, func() *int { return new(int) }); err != nil {
			t.Fatal(err)
		}
		for s := range seen {
			if len(seen[s]) != 100 {
				t.Fatalf("%d workers: step %d saw %d jobs", workers, s, len(seen[s]))
			}
			for i, n := range seen[s] {
				if n != i+1 {
					t.Fatalf("%d workers: step %d saw job %d at place %d", workers, s, n, i)
				}
			}
		}
	}
}

// An error ends the run, and so does the context; a panic is raised in the caller.
func TestErrorsPanicsAndContextsEndARun(t *testing.T) {
	full := errors.New("full")
	stopped := errors.New("stopped")
	for workers := 1; workers < 4; workers++ {
		fails := func(j *int) error {
			if *j == 7 {
				return full
			}
			return nil
		}
		if err := Run(t.Context(), workers, []Step[*int]{count(), fails}, func() *int { return new(int) }); !errors.Is(err, full) {
			t.Errorf("%d workers: %v", workers, err)
		}
		ctx, cancel := context.WithCancelCause(t.Context())
		stops := func(j *int) error {
			if *j == 7 {
				cancel(stopped)
			}
			return nil
		}
		if err := Run(ctx, workers, []Step[*int]{count(), stops}, func() *int { return new(int) }); !errors.Is(err, stopped) {
			t.Errorf("%d workers: %v", workers, err)
		}
		func() {
			defer func() {
				if p, ok := recover().(string); !ok || !strings.HasPrefix(p, "broken") {
					t.Errorf("%d workers: recovered %v", workers, p)
				}
			}()
			breaks := func(*int) error { panic("broken") }
			Run(t.Context(), workers, []Step[*int]{count(), breaks}, func() *int { return new(int) })
		}()
	}
}

// The first step is not called again after its end, even if it would find more: a worker that
// went on would wait for ever for those that have ended.
func TestFirstStepIsNotCalledAfterTheEnd(t *testing.T) {
	for workers := 1; workers <= 5; workers++ {
		calls, done := 0, 0
		err := Run(t.Context(), workers, []Step[*int]{
			func(*int) error {
				if calls++; calls == 4 {
					return io.EOF
				}
				return nil
			},
			func(*int) error { done++; return nil },
		}, func() *int { return new(int) })
		if err != nil || calls != 4 || done != 3 {
			t.Errorf("%d workers: %d calls, %d jobs, %v", workers, calls, done, err)
		}
	}
}

// Only the first step ends the run: io.EOF from a later one, as from a sink whose reader has
// gone, is an error. It once ended the run as if all had been done, or stopped it for ever.
func TestEOFOfALaterStepIsAnError(t *testing.T) {
	for workers := range 4 {
		done := 0
		err := Run(t.Context(), workers, []Step[*int]{count(), func(j *int) error {
			if done++; done > 7 {
				return io.EOF
			}
			return nil
		}}, func() *int { return new(int) })
		if !errors.Is(err, io.EOF) {
			t.Errorf("%d workers: error %v; want one that wraps io.EOF", workers, err)
		}
		if err := Run(t.Context(), workers, nil, func() *int { return new(int) }); err != nil {
			t.Errorf("%d workers without steps: %v", workers, err)
		}
	}
}
