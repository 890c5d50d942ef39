package instrument

import (
	"fmt"
	"math"
	"math/cmplx"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// StepResponse measures how a device's gain follows a step of level up and down again: attack,
// hold and release. The gain is that of the tone's envelope over half a period. A device's own
// filters therefore count as gain while they ring.
type StepResponse struct {
	Step stimulus.LevelStep
}

// Stimulus is the tone.
func (s StepResponse) Stimulus() stimulus.Signal { return s.Step }

// Trace is the gain of one channel. The device's delay is removed: the step up is where the
// envelope jumps most.
func (s StepResponse) Trace(rate int, x []float64) (GainTrace, error) {
	up, down := s.Step.Steps(rate)
	half := s.Step.Period(rate) / 2
	sent, err := s.Step.Make(rate)
	if err != nil {
		return GainTrace{}, err
	}
	if len(x) < len(sent[0]) {
		return GainTrace{}, fmt.Errorf("the response has %d frames; %d are needed", len(x), len(sent[0]))
	}
	in, out := envelope(sent[0], 2*half), envelope(x, 2*half)
	delay, err := jump(out, up, half, min(len(out), down))
	if err != nil {
		return GainTrace{}, err
	}
	frames := min(len(in), len(out)-delay)
	if frames <= down+half {
		return GainTrace{}, fmt.Errorf("the response ends before the step down")
	}
	t := GainTrace{RateHz: rate, Up: up, Down: down, Half: half, GainDB: make([]float64, frames)}
	for n := range t.GainDB {
		t.GainDB[n] = dsp.AmplitudeToDB(out[n+delay] / in[n])
	}
	// A window over a step holds both levels: the gain there is set to the one before the step.
	for _, step := range []int{up, down} {
		for n := step - half + 1; n < step; n++ {
			t.GainDB[n] = t.GainDB[step-half]
		}
	}
	// The fades at the ends are too quiet to divide by.
	fade := rate * stimulus.FadeMs / 1000
	for n := range fade {
		t.GainDB[n] = t.GainDB[fade]
	}
	t.GainDB = t.GainDB[:frames-fade]
	return t, nil
}

// envelope is the amplitude of a tone with a period in frames, over the half period that begins
// at each frame.
func envelope(x []float64, period int) []float64 {
	half := period / 2
	turn := make([]complex128, period+half) // a period, and then its first half again
	for n := range turn {
		turn[n] = cmplx.Rect(1, -2*math.Pi*float64(n%period)/float64(period))
	}
	e := make([]float64, max(0, len(x)-half+1))
	for n := range e {
		var re, im float64
		turns := turn[n%period:]
		for k, v := range x[n : n+half] {
			re += float64(v * real(turns[k]))
			im += float64(v * imag(turns[k]))
		}
		e[n] = 2 * math.Hypot(re, im) / float64(half)
	}
	return e
}

// jump is by how many frames the largest jump of an envelope is later than a frame.
func jump(e []float64, at, half, end int) (int, error) {
	best, where := 0.0, -1
	for n := at - half; n+half < end; n++ {
		if ratio := e[n+half] / e[n]; ratio > best && e[n] > 0 {
			best, where = ratio, n+half
		}
	}
	if where < 0 || best < dsp.DBToAmplitude(1) {
		return 0, fmt.Errorf("the response does not hold the step of level")
	}
	// A window that begins at the step is the first that holds only the high level.
	return max(0, where-at), nil
}

// Analyse has the readings of [GainTrace.Readings], for each channel.
func (s StepResponse) Analyse(rate int, response Response) (measure.Readings, error) {
	return eachReadings(response, func(plane []float64) (measure.Readings, error) {
		if n := planes.FirstNonFinite(dsp.Block{plane}); n >= 0 {
			return nil, fmt.Errorf("NaN or infinite sample at frame %d", n)
		}
		t, err := s.Trace(rate, plane)
		if err != nil {
			return nil, err
		}
		return t.Readings(), nil
	})
}

// Table is the gain of the first channel over time.
func (s StepResponse) Table(rate int, response Response) (measure.Table, error) {
	if response == nil || response.Channels() == 0 {
		return measure.Table{}, fmt.Errorf("the response has no channel")
	}
	plane, err := response.Plane(0)
	if err != nil {
		return measure.Table{}, err
	}
	t, err := s.Trace(rate, plane)
	return t.Table(), err
}
