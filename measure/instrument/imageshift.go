package instrument

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
)

// imageShift measures how far a device that moves its gain moves the levels of two channels
// relative to each other, which shifts the stereo image.
//
// In windows of 10 ms it compares the gains of each pair of channels. With the stimulus s and
// the response r aligned, their ratio is
//
//	Σ r₁s₂·s₁s₂ / Σ r₂s₁·s₁s₂ = Σ g₁(s₁s₂)² / Σ g₂(s₁s₂)²
//
// Both gains have the same weights, so the ratio is exactly 1 for channels that share one gain,
// however fast it moves; a ratio of levels is not. A window counts if the stimulus has an rms
// of −40 dB relative to the ceiling or more in both channels. The shift is the largest
// difference in dB, of either sign.
type imageShift struct {
	length, at int // frames of a window, and how many of them are summed
	frame      int64
	least      float64 // least mean square of the stimulus in a channel
	pairs      []imagePair
	shift      planes.Largest
	seen       bool // some window counted
}

// imagePair is a pair of channels and the sums of its window.
type imagePair struct {
	a, b                int
	first, second, both float64
	powerA, powerB      float64
}

const (
	imageWindowMs = 10
	imageDB       = -40

	oneChannel = "one channel has no image"
)

func newImageShift(rate, channels int, ceilingDBTP float64) *imageShift {
	i := &imageShift{length: max(1, rate*imageWindowMs/1000), least: dsp.DBToPower(ceilingDBTP + imageDB)}
	for a := range channels {
		for b := a + 1; b < channels; b++ {
			i.pairs = append(i.pairs, imagePair{a: a, b: b})
		}
	}
	return i
}

// write takes the stimulus and the response, aligned.
func (i *imageShift) write(stimulus, response dsp.Block) {
	for from, frames := 0, stimulus.Frames(); from < frames; {
		to := min(frames, from+i.length-i.at)
		for k := range i.pairs {
			i.pairs[k].add(stimulus, response, from, to)
		}
		i.at += to - from
		i.frame += int64(to - from)
		from = to
		if i.at == i.length {
			i.endWindow()
		}
	}
}

func (p *imagePair) add(stimulus, response dsp.Block, from, to int) {
	s1, s2 := stimulus[p.a][from:to], stimulus[p.b][from:to]
	r1, r2 := response[p.a][from:to], response[p.b][from:to]
	for n, x := range s1 {
		y := s2[n]
		p.first += r1[n] * y * (x * y)
		p.second += r2[n] * x * (x * y)
		p.both += x * y * (x * y)
		p.powerA += x * x
		p.powerB += y * y
	}
}

func (i *imageShift) endWindow() {
	least := i.least * float64(i.length)
	for k := range i.pairs {
		p := &i.pairs[k]
		// If the products are small relative to the levels, their sum is a matter of chance.
		if p.powerA > least && p.powerB > least && p.both*float64(i.length) > 1e-3*p.powerA*p.powerB && p.second != 0 {
			i.seen = true
			if ratio := math.Abs(p.first / p.second); ratio > 0 {
				i.shift.Offer(math.Abs(dsp.AmplitudeToDB(ratio)), i.frame-int64(i.length), p.b)
			}
		}
		*p = imagePair{a: p.a, b: p.b}
	}
	i.at = 0
}

// reading is image_shift_db; a reason that is not "" states why it has no value.
func (i *imageShift) reading(reason string) measure.Named {
	r := measure.Reading{
		Reason: reason, Unit: "dB", Reference: "the same gain in all channels", Weighting: "none", Frame: -1, Channel: -1,
		Definition: fmt.Sprintf("largest difference of two channels' gains over %d ms, where both reach %d dB of the ceiling; 0 for linked channels", imageWindowMs, imageDB),
		Bound:      "of a device that moves its gain only: a filter counts as a gain",
	}
	switch {
	case r.Reason != "":
	case !i.seen:
		r.Reason = fmt.Sprintf("no %d ms in which two channels reach %d dB of the ceiling", imageWindowMs, imageDB)
	default:
		r.Value = i.shift.Value
		if r.Value > 1e-9 { // less is rounding and has no place in time
			r.Frame, r.Channel = i.shift.Frame, i.shift.Channel
		}
	}
	return measure.Named{Name: "image_shift_db", Reading: r}
}
