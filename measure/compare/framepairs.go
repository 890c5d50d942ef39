package compare

import (
	"errors"
	"fmt"
	"io"
	"math"
	"runtime"
	"slices"
	"sync"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

// pairFrames is how many frames are compared at a time.
const pairFrames = 1 << 14

// pairs hands blocks of A, and what lies there in B, to a function, piece by piece of
// the placement: begin is called ahead of each. The blocks are the function's to change.
func (c *Comparison) pairs(a, b func() (wave.Source, error), begin func(piece) error, to func(x, y dsp.Block) error) error {
	left, right := &cursor{open: a}, &cursor{open: b}
	defer left.close()
	defer right.close()
	frames := c.blockFrames()
	x, y := dsp.NewBlock(c.Channels, frames), dsp.NewBlock(c.Channels, frames)
	for _, q := range c.place.pieces {
		if err := begin(q); err != nil {
			return err
		}
		if err := c.stretch(left, right, q, q.from, q.to, x, y, to); err != nil {
			return err
		}
	}
	return nil
}

// blockFrames is how many frames are compared at a time: whole milliseconds, of all
// channels up to 1 MiB.
func (c *Comparison) blockFrames() int {
	frames := max(1024, min(pairFrames, (1<<17)/c.Channels))
	grain := grainFrames(c.Rate)
	return max(1, frames/grain) * grain
}

// stretch hands blocks of a part of a piece to a function.
func (c *Comparison) stretch(left, right *cursor, q piece, from, until int64, x, y dsp.Block, to func(x, y dsp.Block) error) error {
	near := newNearby(right, q.Map, c.place.lags, c.Channels)
	near.frames = c.FramesB
	if err := left.seek(from); err != nil {
		return err
	}
	if err := near.begin(from); err != nil {
		return err
	}
	for at := from; at < until; {
		n := int(min(int64(cap(x[0])), until-at))
		for i := range x {
			x[i], y[i] = x[i][:n], y[i][:n]
		}
		if got, err := left.read(x); err != nil || got < n {
			return shortened(0, at+int64(got), c.FramesA, err)
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

// A ShortenedError reports a sound that ended earlier than when it was first read.
type ShortenedError struct {
	Sound      int // 0: A, 1: B
	Frame, Had int64
}

func (e *ShortenedError) Error() string {
	return fmt.Sprintf("found its end at frame %d, where it had %d frames when it was opened: it was cut while it was read; compare again once it is no longer written to", e.Frame, e.Had)
}

// shortened is the error of a read that should have had more frames.
func shortened(sound int, frame, had int64, err error) error {
	if err == nil || errors.Is(err, io.EOF) {
		return &ShortenedError{sound, frame, had}
	}
	return err
}

// cursor reads a source at any frame: where it cannot be sought, by reading on, or by
// opening it anew.
type cursor struct {
	open func() (wave.Source, error)
	src  wave.Source
	at   int64
	past bool // behind the end
}

func (c *cursor) close() {
	if c.src != nil {
		planes.Close(c.src)
		c.src = nil
	}
}

// seek goes to a frame; a source that ends before it stays at its end.
func (c *cursor) seek(frame int64) (err error) {
	if c.src == nil || frame < c.at {
		if _, seeks := c.src.(interface{ SeekFrame(int64) error }); !seeks || c.src == nil {
			c.close()
			if c.src, err = c.open(); err != nil {
				return err
			}
			c.at, c.past = 0, false
		}
	}
	if frame == c.at {
		return nil
	}
	if s, ok := c.src.(interface{ SeekFrame(int64) error }); ok {
		err := s.SeekFrame(frame)
		if c.past = errors.Is(err, wave.ErrNoFrame); c.past {
			err = nil // reading says so
		}
		if !errors.Is(err, errors.ErrUnsupported) {
			c.at = frame
			return err
		}
		if frame < c.at { // it can be opened again
			c.close()
			return c.seek(frame)
		}
	}
	b := dsp.NewBlock(c.src.Format().Channels, 4096)
	for c.at < frame {
		n, err := planes.ReadFull(c.src, planes.Before(b, int(min(frame-c.at, 4096))))
		c.at += int64(n)
		if err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		if err != nil || n == 0 {
			return nil
		}
	}
	return nil
}

func (c *cursor) read(b dsp.Block) (int, error) {
	if c.past {
		return 0, io.EOF
	}
	n, err := planes.ReadFull(c.src, b)
	c.at += int64(n)
	return n, err
}

// nearby reads a source at the frames of another sound, between its own if need be.
type nearby struct {
	src    *cursor
	at     timemap.Map
	lags   []float64 // by channel, nil: none
	most   int       // the largest of them, in whole frames
	exact  bool
	frames int64     // of the source
	held   dsp.Block // of the source, from frame first on
	first  int64
}

func newNearby(src *cursor, at timemap.Map, lags []float64, channels int) *nearby {
	b := &nearby{src: src, at: at, lags: lags, held: make(dsp.Block, channels)}
	b.exact = (placement{Map: at, lags: lags}).exact()
	for _, lag := range lags {
		b.most = max(b.most, int(math.Ceil(math.Abs(lag))))
	}
	return b
}

func (b *nearby) lag(channel int) float64 {
	if b.lags == nil {
		return 0
	}
	return b.lags[channel]
}

// half is how many frames of the source it takes on either side.
func (b *nearby) half() int {
	if b.exact {
		return b.most
	}
	return b.most + timemap.DenseSinc().Half()
}

// begin goes to where a frame of the other sound lies.
func (b *nearby) begin(frame int64) error {
	b.first = int64(math.Floor(b.at.At(int(frame)))) - int64(b.half())
	for c := range b.held {
		b.held[c] = b.held[c][:0]
		if b.first < 0 { // silence ahead of it
			b.held[c] = make([]float64, -b.first)
		}
	}
	return b.src.seek(max(0, b.first))
}

// read fills a block with what lies at the other sound's frames from one on.
func (b *nearby) read(frame int64, y dsp.Block) error {
	last := int64(math.Floor(b.at.At(int(frame)+y.Frames()))) + int64(b.half()) + 1
	if err := b.fetch(last); err != nil {
		return err
	}
	begin := int64(math.Floor(b.at.At(int(frame))))
	if b.exact {
		for c := range y {
			copy(y[c], b.held[c][begin+int64(b.lag(c))-b.first:])
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
	held := b.held.Frames()
	need := int(until-b.first) - held
	if need <= 0 {
		return nil
	}
	for c := range b.held {
		b.held[c] = slices.Grow(b.held[c], need)[:held+need]
		clear(b.held[c][held:])
	}
	want := int(min(int64(need), b.frames-(b.first+int64(held))))
	if want <= 0 {
		return nil
	}
	part := make(dsp.Block, len(b.held))
	for c := range part {
		part[c] = b.held[c][held : held+want]
	}
	if n, err := b.src.read(part); n < want {
		return shortened(1, b.first+int64(held+n), b.frames, err)
	}
	return nil
}

// resample reads between the frames, the channels beside each other and each in as
// many parts as there are processors.
func (b *nearby) resample(frame int64, y dsp.Block) {
	workers := max(1, runtime.GOMAXPROCS(0)/len(y))
	var all sync.WaitGroup
	for c := range y {
		shifted := timemap.Map{Delay: b.at.Delay + b.at.Speed*float64(frame) - float64(b.first) + b.lag(c), Speed: b.at.Speed}
		for w := range workers {
			from, to := w*y.Frames()/workers, (w+1)*y.Frames()/workers
			all.Add(1)
			go func() {
				defer all.Done()
				if shifted.Speed == 1 {
					copy(y[c][from:to], shifted.Resample(b.held[c], from, to))
				} else {
					shifted.Read(b.held[c], from, y[c][from:to], timemap.DenseSinc().Half(), timemap.DenseSinc().Near)
				}
			}()
		}
	}
	all.Wait()
}
