package instrument

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// bench is a device that applies a function to the whole sound.
type bench func(rate int, sound dsp.Block)

func (b bench) Respond(_ context.Context, stimulus wave.Source, response wave.Sink) error {
	var sound dsp.Block = make([][]float64, stimulus.Format().Channels)
	if whole, ok := stimulus.(*wave.Memory); ok {
		for c := range sound {
			sound[c] = make([]float64, 0, whole.Frames())
		}
	}
	if err := measure.EachBlock(context.Background(), stimulus, func(part dsp.Block) {
		for c := range part {
			sound[c] = append(sound[c], part[c]...)
		}
	}); err != nil {
		return err
	}
	b(stimulus.Format().Rate, sound)
	return response.Write(sound)
}

// curve is a device without memory.
func curve(f func(x float64) float64) bench {
	return func(_ int, sound dsp.Block) {
		for _, plane := range sound {
			for n, x := range plane {
				plane[n] = f(x)
			}
		}
	}
}

// converter is a 16-bit converter with TPDF dither by its definition: the difference of two
// uniform random numbers of 1 LSB each, then rounding.
func converter(seed uint64) bench {
	return func(_ int, sound dsp.Block) {
		rng := rand.New(rand.NewPCG(seed, 1))
		for _, plane := range sound {
			for n, x := range plane {
				plane[n] = math.Round(x*32768+rng.Float64()-rng.Float64()) / 32768
			}
		}
	}
}

func run(t *testing.T, d Device, i Instrument, rate int) measure.Readings {
	t.Helper()
	r, err := Run(t.Context(), d, i, rate)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func tone(hz, peakDBFS float64) stimulus.Tone {
	return stimulus.Tone{Hz: hz, PeakDBFS: peakDBFS, Seconds: 3}
}
