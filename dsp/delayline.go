package dsp

import (
	"math"

	"github.com/boothbench/boothbench/dsp/vector"
)

// Frames converts a time in ms to whole frames at a rate in Hz, rounded to
// nearest.
func Frames(ms float64, rate int) int { return int(math.Round(ms * float64(rate) / 1000)) }

// DelayLine delays one channel by whole frames.
type DelayLine struct {
	ring []float64
	at   int
}

// NewDelayLine builds a delay line full of silence.
func NewDelayLine(frames int) DelayLine { return DelayLine{ring: make([]float64, frames)} }

// Process replaces x by the sound delayed by the line's length.
func (d *DelayLine) Process(x []float64) {
	if len(d.ring) == 0 {
		return
	}
	for len(x) > 0 {
		ring := d.ring[d.at:]
		n := min(len(x), len(ring))
		vector.Exchange(x[:n], ring)
		if d.at += n; d.at == len(d.ring) {
			d.at = 0
		}
		x = x[n:]
	}
}

// Reset fills the line with silence.
func (d *DelayLine) Reset() {
	clear(d.ring)
	d.at = 0
}
