package proof

import (
	"context"
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// sweptFilter describes the measurement of a filter by a sweep, with silence behind it in
// which the filter rings on and its delay passes, so that no part of the response is cut off.
type sweptFilter struct {
	lateFrames int // the declared delay, which is taken out of the response
	ringMs     int
}

const (
	// ringsOut is after how many time constants a filter has rung out: e^−18 is −156 dB,
	// which changes a magnitude of −60 dB, the least that is compared, by 0.0001 dB.
	ringsOut = 18
	// faded is the share of an instrument's tail that it leaves as it is.
	faded = 0.8
	// leastSweptHz is where the band begins in which responses are compared.
	leastSweptHz = 20
)

// sweptThrough is the sweep for stages in series, none of which depends on level.
func sweptThrough(lateFrames int, settings ...any) sweptFilter {
	s := sweptFilter{lateFrames, 1000}
	for _, one := range settings {
		seconds := ringsOut / faded * ringConstant(one)
		s.ringMs = max(s.ringMs, 100*int(math.Ceil(10*seconds)))
	}
	s.ringMs = min(s.ringMs, instrument.MostTailMs)
	return s
}

// ringConstant is the longest time constant in seconds with which a filter rings:
// Q/(π·f) of a pair of poles. What lies under the band that is compared counts as at
// its edge.
func ringConstant(settings any) (seconds float64) {
	pair := func(q, hz float64) { seconds = max(seconds, q/(math.Pi*max(hz, leastSweptHz))) }
	switch s := settings.(type) {
	case dsp.HighPassSettings: // the poles nearest to the axis
		pair(1/(2*math.Sin(math.Pi/float64(2*s.SlopeDBPerOctave/6))), s.CornerHz)
	case dsp.EqualiserSettings:
		for _, b := range s.Bands {
			a := math.Pow(10, b.GainDB/40)
			switch b.Shape { // from the denominators of cookbookBand
			case dsp.Bell:
				pair(b.Q*a, b.CentreHz)
			case dsp.LowShelf:
				pair(b.Q, b.CentreHz/math.Sqrt(a))
			case dsp.HighShelf:
				pair(b.Q, b.CentreHz*math.Sqrt(a))
			default:
				pair(b.Q, b.CentreHz)
			}
		}
	}
	return seconds
}

// condition states the stimulus, and the delay that is removed.
func (s sweptFilter) condition() string {
	text := fmt.Sprintf("%s and %g s of silence", sweepCondition, float64(s.ringMs)/1000)
	if s.lateFrames > 0 {
		text += fmt.Sprintf(", the declared delay of %d frames taken out", s.lateFrames)
	}
	return text
}

// instrument is the one that reads such a sweep in one channel.
func (s sweptFilter) instrument(rate int, declared response) instrument.SweepResponse {
	return instrument.SweepResponse{Sweep: sweep(rate, 1), Declared: declared, TailMs: s.ringMs}
}

// through is a device that gets the silence as well, and without its delay.
func (s sweptFilter) through(d instrument.Device) instrument.Device { return settlingDevice{d, s} }

// deviates claims that a response is the declared one to within so many dB.
func (s sweptFilter) deviates(declared response, rate int, most float64, why string) experiment {
	swept := s.instrument(rate, declared)
	return experiment{
		Condition: s.condition(),
		Claims:    []Claim{atMost("response_deviation_db", most, why)},
		Run: func(ctx context.Context, d instrument.Device, rate int) (measure.Readings, error) {
			return instrument.Run(ctx, s.through(d), swept, rate)
		},
		curve: &curveOf{swept, s.through, declared.decibels},
	}
}

// readBack reads a filter's settings out of a measured response.
func (s sweptFilter) readBack(claims []Claim, read func(*instrument.FrequencyResponse) measure.Readings) experiment {
	return experiment{Condition: s.condition(), Claims: claims, Run: func(ctx context.Context, d instrument.Device, rate int) (measure.Readings, error) {
		swept := s.instrument(rate, nil)
		sound, err := swept.Sweep.Make(rate)
		if err != nil {
			return nil, err
		}
		answer, err := instrument.Respond(ctx, s.through(d), rate, sound)
		if err != nil {
			return nil, err
		}
		curves, err := swept.Curves(rate, answer)
		if err != nil {
			return nil, err
		}
		return read(curves[0]), nil
	}}
}

// settlingDevice is a device that is given silence behind a sound, and whose response
// begins where its delay ends.
type settlingDevice struct {
	instrument.Device
	swept sweptFilter
}

// Respond has the device respond.
func (d settlingDevice) Respond(ctx context.Context, played wave.Source, response wave.Sink) error {
	sound, err := planesOf(played)
	if err != nil {
		return err
	}
	f := played.Format()
	frames := sound.Frames() + f.Rate*d.swept.ringMs/1000
	longer := dsp.NewBlock(len(sound), d.swept.lateFrames+frames)
	for c, plane := range sound {
		copy(longer[c], plane)
	}
	out := wave.NewMemory(f, dsp.NewBlock(f.Channels, 0))
	if err := d.Device.Respond(ctx, wave.NewMemory(f, longer), out); err != nil {
		return err
	}
	got := out.Planes()
	for c, plane := range got {
		late := min(d.swept.lateFrames, len(plane))
		got[c] = plane[late:min(len(plane), late+frames)]
	}
	return response.Write(got)
}

// sweep is the stimulus of filters: −20 dBFS leaves room for a boost of 20 dB, and without
// noise a longer or louder sweep reads no better.
func sweep(rate, channels int) stimulus.Sweep {
	return stimulus.Sweep{FromHz: 5, ToHz: min(22000, 0.49*float64(rate)), Seconds: 10, PeakDBFS: stimulus.DefaultPeakDBFS, Channels: channels}
}

const sweepCondition = "exponential sweep of 10 s at -20 dBFS"

// sweepBoundDB is the tolerance of a response by sweep: ten times its error, which the tests
// of instrument.SweepResponse find to be 0.001 dB against biquads.
const sweepBoundDB = 0.01
