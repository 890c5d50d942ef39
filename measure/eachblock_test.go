package measure

import (
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/planes"
)

// ending is a source that returns its last frames as io.Reader allows it: together
// with io.EOF, or ahead of it.
type ending struct {
	frames, block int
	together      bool
	fault         error // instead of io.EOF
}

func (e *ending) Format() wave.Format { return wave.Unquantised(48000, 2) }

func (e *ending) Read(b dsp.Block) (int, error) {
	n := min(e.block, e.frames, b.Frames())
	for c := range b {
		for k := range n {
			b[c][k] = float64(e.frames - k)
		}
	}
	e.frames -= n
	if e.frames > 0 || n > 0 && !e.together {
		return n, nil
	}
	if e.fault != nil {
		return n, e.fault
	}
	return n, io.EOF
}

func TestEachBlockReadsToTheLastFrame(t *testing.T) {
	for _, frames := range []int{0, 1, 4095, 4096, 4097, 100_000} {
		for _, block := range []int{1000, 4096, 1 << 20} {
			for _, together := range []bool{false, true} {
				t.Run(fmt.Sprintf("frames=%d/block=%d/together=%v", frames, block, together), func(t *testing.T) {
					seen, next := 0, float64(frames)
					err := EachBlock(t.Context(), &ending{frames: frames, block: block, together: together}, func(b dsp.Block) {
						for _, x := range b[1] {
							if x != next {
								t.Fatalf("frame %d holds %g, want %g", seen, x, next)
							}
							seen, next = seen+1, next-1
						}
					})
					if err != nil || seen != frames {
						t.Errorf("%d frames and %v, want %d", seen, err, frames)
					}
				})
			}
		}
	}
}

func TestEachBlockEndsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	err := EachBlock(ctx, &ending{frames: 1 << 30, block: 4096}, func(dsp.Block) { cancel() })
	if !errors.Is(err, context.Canceled) || err.Error() != "interrupted" {
		t.Error(err)
	}
	// A context that has run out of time ends it in the same words.
	late, stop := context.WithDeadline(t.Context(), time.Now().Add(-time.Second))
	defer stop()
	if err := EachBlock(late, &ending{frames: 1 << 30, block: 4096}, func(dsp.Block) {}); !errors.Is(err, context.DeadlineExceeded) || err.Error() != "interrupted" {
		t.Errorf("past its deadline: %v", err)
	}
	fault := errors.New("the disk is gone")
	if err := EachBlock(t.Context(), &ending{frames: 5000, block: 4096, together: true, fault: fault}, func(dsp.Block) {}); !errors.Is(err, fault) {
		t.Error(err)
	}
}

// With one goroutine a sound is read and measured on the caller's own, so that sounds that
// are measured side by side do not wait for each other's meters.
func TestEachBlockByOneStaysOnTheCallersGoroutine(t *testing.T) {
	number := func() string { // "goroutine 12"
		stack := make([]byte, 64)
		name, _, _ := strings.Cut(string(stack[:runtime.Stack(stack, false)]), " [")
		return name
	}
	here := number()
	for _, workers := range []int{-1, 0, 1} {
		err := EachBlockBy(t.Context(), workers, &ending{frames: 10, block: 10}, func(dsp.Block) {
			if there := number(); there != here {
				t.Errorf("%d goroutines: a Write is called from %s, want %s", workers, there, here)
			}
		})
		if err != nil {
			t.Error(err)
		}
	}
}

// pausing is a source that returns nothing, and no error, in between, as a live one may.
type pausing struct {
	wave.Source
	empty, left int // reads
}

func (p *pausing) Read(b dsp.Block) (int, error) {
	if p.left--; p.left >= 0 {
		return 0, nil
	}
	p.left = p.empty
	return p.Source.Read(b)
}

func TestEmptyReadsAreNotTheEnd(t *testing.T) {
	sound := dsp.NewBlock(1, 10_000)
	of := func(empty int) wave.Source {
		return &pausing{wave.NewMemory(wave.Unquantised(48000, 1), sound), empty, empty}
	}
	b := dsp.NewBlock(1, 12_000)
	if n, err := planes.ReadFull(of(2), b); n != 10_000 || err != io.EOF {
		t.Errorf("%d frames, %v; want 10000 and the end", n, err)
	}
	if n, err := planes.ReadFull(of(1000), b); n != 0 || !errors.Is(err, io.ErrNoProgress) {
		t.Errorf("%d frames, %v; want none, and no progress", n, err)
	}
	frames := 0
	if err := EachBlock(t.Context(), of(2), func(b dsp.Block) { frames += b.Frames() }); err != nil || frames != 10_000 {
		t.Errorf("%d frames, %v; want 10000", frames, err)
	}
}
