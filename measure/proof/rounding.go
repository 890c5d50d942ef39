package proof

import (
	"context"
	"errors"
	"math"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
)

// rounder is a device that can put its response on the grid of 16-bit integers, as
// a file of them is written.
type rounder interface {
	instrument.Device
	respondRounded(ctx context.Context, played wave.Source, response wave.Sink) error
}

// roundedBits are the bits of the grid.
const roundedBits = 16

// rounds claims that a device rounds with TPDF dither: the error has the power of
// the rounding itself and of the dither, 1/12 + 2/12 of a squared step, so that its
// rms is half a step whatever the sound (Lipshitz, Wannamaker and Vanderkooy, JAES
// 40(5) 1992).
func (p *programme) rounds() experiment {
	return experiment{
		inMemory:  true,
		Condition: "the same, written as 16-bit integers, against the unrounded response",
		Claims: []Claim{
			within("rounding_noise_lsb", 0.5, 0.01, "2 %: six standard deviations for noise of this length"),
			within("rounding_mean_lsb", 0, 0.01, "ten standard deviations of the mean over this length"),
			atMost("rounding_peak_lsb", 1.5, "half a step of rounding and one of dither, and nothing more"),
		},
		Run: p.readRounding,
	}
}

// readRounding reads rounding_noise_lsb, rounding_mean_lsb and rounding_peak_lsb, in
// steps of 16 bits, while the programme plays.
func (p *programme) readRounding(ctx context.Context, d instrument.Device, rate int) (measure.Readings, error) {
	if watched, is := d.(*watchedDevice); is {
		d = watched.Device
	}
	device, is := d.(rounder)
	if !is {
		return nil, errors.New("the device writes no 16-bit integers")
	}
	made, err := p.sound(rate, idle)
	if err != nil {
		return nil, err
	}
	sound := made.sound
	plain, err := instrument.Respond(ctx, device, rate, sound)
	if err != nil {
		return nil, err
	}
	rounded, err := instrument.Respond(ctx, roundedDevice{device}, rate, sound)
	if err != nil {
		return nil, err
	}
	from, frames := plain.Frames()-sound.Frames(), sound.Frames() // only the sound itself is dithered
	sum, squares, largest := 0.0, 0.0, 0.0
	steps := math.Ldexp(1, roundedBits-1)
	for c := range plain {
		if len(rounded[c]) < from+frames {
			return nil, errors.New("the rounded response is shorter than the plain one")
		}
		for n := from; n < from+frames; n++ {
			d := (rounded[c][n] - plain[c][n]) * steps
			sum += d
			squares += d * d
			largest = max(largest, math.Abs(d))
		}
	}
	count := float64(frames * len(plain))
	about := measure.Reading{Unit: "LSB", Reference: "a step of 16-bit integers"}
	var r measure.Readings
	for _, x := range []struct {
		name, text string
		value      float64
	}{
		{"rounding_noise_lsb", "rms of the rounded response less the unrounded one", math.Sqrt(squares / count)},
		{"rounding_mean_lsb", "mean of that difference", sum / count},
		{"rounding_peak_lsb", "largest |value| of that difference", largest},
	} {
		about.Value, about.Definition = x.value, x.text
		r.Add(x.name, about)
	}
	return r, nil
}

// roundedDevice is the device with its response rounded.
type roundedDevice struct{ rounder }

func (d roundedDevice) Respond(ctx context.Context, played wave.Source, response wave.Sink) error {
	return d.respondRounded(ctx, played, response)
}
