package compare

import (
	"errors"
	"io"
	"math"
	"runtime"
	"sync"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

// pairFrames is how many frames are compared at a time.
const pairFrames = 1 << 14

// pairs hands blocks of A, and what lies there in B, to a function, from the first
// frame that both have to the last. The blocks are the function's to change.
func (c *Comparison) pairs(a, b func() (wave.Source, error), to func(x, y dsp.Block) error) error {
	srcA, err := a()
	if err != nil {
		return err
	}
	defer planes.Close(srcA)
	srcB, err := b()
	if err != nil {
		return err
	}
	defer planes.Close(srcB)
	if err := skip(srcA, c.From); err != nil {
		return err
	}
	near := newNearby(srcB, c.place)
	if err := near.begin(c.From); err != nil {
		return err
	}
	x, y := dsp.NewBlock(c.Channels, pairFrames), dsp.NewBlock(c.Channels, pairFrames)
	for at := c.From; at < c.To; {
		n := int(min(pairFrames, c.To-at))
		for i := range x {
			x[i], y[i] = x[i][:n], y[i][:n]
		}
		if _, err := planes.ReadFull(srcA, x); err != nil {
			return err
		}
		if err := near.read(at, y); err != nil {
			return err
		}
		if err := to(x, y); err != nil {
			return err
		}
		at += int64(n)
	}
	return nil
}

// skip passes over frames of a source.
func skip(src wave.Source, frames int64) error {
	if s, ok := src.(interface{ SeekFrame(int64) error }); ok {
		return s.SeekFrame(frames)
	}
	b := dsp.NewBlock(src.Format().Channels, pairFrames)
	for frames > 0 {
		n, err := planes.ReadFull(src, planes.Before(b, int(min(frames, pairFrames))))
		if err != nil {
			return err
		}
		frames -= int64(n)
	}
	return nil
}

// nearby reads a source at the frames of another sound, between its own if need be.
type nearby struct {
	src   wave.Source
	place placement
	held  dsp.Block // of the source, from frame first on
	first int64
	ended bool
}

func newNearby(src wave.Source, p placement) *nearby {
	return &nearby{src: src, place: p, held: make(dsp.Block, src.Format().Channels)}
}

// half is how many frames of the source it takes on either side.
func (b *nearby) half() int {
	if b.place.exact() {
		return 0
	}
	return timemap.DenseSinc().Half()
}

// begin goes to where a frame of the other sound lies.
func (b *nearby) begin(frame int64) error {
	b.first = int64(math.Floor(b.place.Delay+b.place.Speed*float64(frame))) - int64(b.half())
	if b.first > 0 {
		return skip(b.src, b.first)
	}
	for c := range b.held { // silence ahead of it
		b.held[c] = make([]float64, -b.first)
	}
	return nil
}

// read fills a block with what lies at the other sound's frames from one on.
func (b *nearby) read(frame int64, y dsp.Block) error {
	last := int64(math.Floor(b.place.Delay+b.place.Speed*float64(frame+int64(y.Frames())))) + int64(b.half()) + 1
	if err := b.fetch(last); err != nil {
		return err
	}
	begin := int64(math.Floor(b.place.Delay + b.place.Speed*float64(frame)))
	if b.place.exact() {
		for c := range y {
			copy(y[c], b.held[c][begin-b.first:])
		}
	} else {
		b.resample(frame, y)
	}
	// What lies far enough behind is needed no more.
	done := int(last-b.first) - 2*b.half() - 4
	if done > 0 {
		for c := range b.held {
			b.held[c] = append(b.held[c][:0], b.held[c][done:]...)
		}
		b.first += int64(done)
	}
	return nil
}

// fetch has the source held up to a frame; behind its end is silence.
func (b *nearby) fetch(until int64) error {
	for need := int(until - b.first - int64(b.held.Frames())); need > 0; need = int(until - b.first - int64(b.held.Frames())) {
		more := dsp.NewBlock(len(b.held), need)
		n := 0
		if !b.ended {
			var err error
			if n, err = planes.ReadFull(b.src, more); errors.Is(err, io.EOF) {
				b.ended = true
			} else if err != nil {
				return err
			}
		} else {
			n = need
		}
		for c := range b.held {
			b.held[c] = append(b.held[c], more[c][:n]...)
		}
	}
	return nil
}

// resample reads between the frames, the channels beside each other and each in as
// many parts as there are processors.
func (b *nearby) resample(frame int64, y dsp.Block) {
	shifted := timemap.Map{Delay: b.place.Delay + b.place.Speed*float64(frame) - float64(b.first), Speed: b.place.Speed}
	workers := max(1, runtime.GOMAXPROCS(0)/len(y))
	var all sync.WaitGroup
	for c := range y {
		for w := range workers {
			from, to := w*y.Frames()/workers, (w+1)*y.Frames()/workers
			all.Add(1)
			go func() {
				defer all.Done()
				shifted.Read(b.held[c], from, y[c][from:to], timemap.DenseSinc().Half(), timemap.DenseSinc().Near)
			}()
		}
	}
	all.Wait()
}
