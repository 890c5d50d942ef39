package instrument

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/cmplx"

	"github.com/boothbench/boothbench/measure/internal/spectra"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/planes"
)

// delayMatcher is a sink for a response. It finds the response's delay against the stimulus to
// the frame, and passes both on, aligned. The delay is where the absolute correlation of the
// first frames is largest: 2^18 frames, or fewer for more than 16 channels.
type delayMatcher struct {
	stimulus wave.Source
	to       func(stimulus, response dsp.Block)
	frames   int       // in which the delay is searched
	head     dsp.Block // the response, until the delay is known
	pending  dsp.Block // stimulus that has no response yet
	known    bool
	reason   string // why there is no delay
}

const (
	matchFrames = 1 << 18
	// matchSamples bounds the memory: 32 MB for each of stimulus and response.
	matchSamples = 1 << 22
	// leastCorrelation is the least correlation of a response with its stimulus. A gain that
	// moves by 20 dB leaves more than half. (common practice, no source)
	leastCorrelation = 0.3
)

func newDelayMatcher(stimulus wave.Source, to func(stimulus, response dsp.Block)) *delayMatcher {
	channels := stimulus.Format().Channels
	return &delayMatcher{stimulus: stimulus, to: to, head: make(dsp.Block, channels), frames: min(matchFrames, matchSamples/channels)}
}

// Write takes the next block of the response.
func (l *delayMatcher) Write(response dsp.Block) error {
	if l.known {
		return l.pair(response)
	}
	for c := range l.head {
		l.head[c] = append(l.head[c], response[c]...)
	}
	if l.head.Frames() >= l.frames {
		return l.settle()
	}
	return nil
}

// end is called at the end of the response.
func (l *delayMatcher) end() error {
	if l.known {
		return nil
	}
	return l.settle()
}

func (l *delayMatcher) settle() error {
	l.known = true
	l.pending = make(dsp.Block, len(l.head))
	for l.pending.Frames() < l.frames {
		more, err := l.read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		for c := range more {
			l.pending[c] = append(l.pending[c], more[c]...)
		}
	}
	var delay int
	if delay, l.reason = delayOf(l.pending, l.head); l.reason != "" {
		l.head, l.pending = nil, nil
		return nil
	}
	response := planes.After(l.head, max(0, delay))
	l.pending = planes.After(l.pending, max(0, -delay))
	l.head = nil
	return l.pair(response)
}

// pair passes on a part of the response together with its stimulus.
func (l *delayMatcher) pair(response dsp.Block) error {
	if l.reason != "" {
		return nil
	}
	for response.Frames() > 0 {
		if l.pending.Frames() == 0 {
			var err error
			if l.pending, err = l.read(); errors.Is(err, io.EOF) {
				return nil // the response is longer
			} else if err != nil {
				return err
			}
		}
		n := min(response.Frames(), l.pending.Frames())
		l.to(planes.Before(l.pending, n), planes.Before(response, n))
		response, l.pending = planes.After(response, n), planes.After(l.pending, n)
	}
	return nil
}

func (l *delayMatcher) read() (dsp.Block, error) {
	b := dsp.NewBlock(l.stimulus.Format().Channels, 4096)
	n, err := l.stimulus.Read(b)
	return planes.Before(b, n), err
}

// delayOf is the delay of the response against the stimulus, in frames.
func delayOf(stimulus, response dsp.Block) (frames int, reason string) {
	length := 1
	for length < stimulus.Frames()+response.Frames() {
		length *= 2
	}
	fft := spectra.NewFFT(length)
	product := make([]complex128, length/2+1)
	var sent, came float64
	for c := range stimulus {
		for _, x := range stimulus[c] {
			sent += x * x
		}
		for _, x := range response[c] {
			came += x * x
		}
		s := fft.Coefficients(nil, append(stimulus[c][:len(stimulus[c]):len(stimulus[c])], make([]float64, length-len(stimulus[c]))...))
		r := fft.Coefficients(nil, append(response[c][:len(response[c]):len(response[c])], make([]float64, length-len(response[c]))...))
		for k := range product {
			product[k] += r[k] * cmplx.Conj(s[k])
		}
	}
	if !(sent > 0 && came > 0) {
		return 0, "stimulus or response is silent"
	}
	x := fft.Sequence(nil, product)
	at := 0
	for n, v := range x {
		if math.Abs(v) > math.Abs(x[at]) {
			at = n
		}
	}
	like := math.Abs(x[at]) / float64(length) / math.Sqrt(sent*came)
	if !(like >= leastCorrelation) {
		return 0, fmt.Sprintf("the response cannot be lined up with the stimulus: their correlation is %.2f, accepted: %g or more", like, leastCorrelation)
	}
	if at >= response.Frames() { // ahead of the stimulus
		at -= length
	}
	return at, ""
}
