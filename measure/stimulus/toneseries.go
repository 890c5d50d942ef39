package stimulus

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// ToneSeries is a tone at a series of levels, each with its own fades.
type ToneSeries struct {
	Hz          float64
	FromDBFS    float64 // peak of the first tone
	ToDBFS      float64 // peak of the last, at most a step short of it
	StepDB      float64 // more than 0; FromDBFS and ToDBFS give the direction
	StepSeconds float64
	Channels    int // 0 means one
}

// AES17Series is the series for gain linearity of AES17-2015 6.3.7: the standard frequency in
// steps of 5 dB downwards to −110 dBFS. The standard begins at −5 dBFS, which is loud and has
// to be asked for.
func AES17Series(fromDBFS float64) ToneSeries {
	return ToneSeries{Hz: StandardHz, FromDBFS: fromDBFS, ToDBFS: -110, StepDB: 5, StepSeconds: 2}
}

// Kind is "tone-series".
func (s ToneSeries) Kind() string { return "tone-series" }

// Levels are the peaks in dBFS, in the order of the tones.
func (s ToneSeries) Levels() []float64 {
	steps := int(math.Floor(math.Abs(s.ToDBFS-s.FromDBFS)/s.StepDB + 1e-9))
	levels := make([]float64, steps+1)
	for i := range levels {
		levels[i] = s.FromDBFS + math.Copysign(float64(i)*s.StepDB, s.ToDBFS-s.FromDBFS)
	}
	return levels
}

// Step is the first frame of the i-th tone and one past its last, at a rate in Hz.
func (s ToneSeries) Step(i, rate int) (from, to int) {
	length := frames(s.StepSeconds, rate)
	return i * length, (i + 1) * length
}

// Make returns the series at a rate in Hz.
func (s ToneSeries) Make(rate int) (dsp.Block, error) {
	if err := s.check(rate); err != nil {
		return nil, err
	}
	levels := s.Levels()
	_, length := s.Step(len(levels)-1, rate)
	plane := make([]float64, length)
	for i, level := range levels {
		from, to := s.Step(i, rate)
		addSine(plane[from:to], s.Hz, dsp.DBToAmplitude(level), rate)
		fade(plane[from:to], rate)
	}
	return spread(plane, s.Channels, 0), nil
}

// mostSteps is the largest number of steps in a series.
const mostSteps = 1000

func (s ToneSeries) check(rate int) error {
	if err := firstError(checkFormat(rate, s.Channels), checkHz("hz", s.Hz, rate), checkPeak("from_dbfs", s.FromDBFS), checkPeak("to_dbfs", s.ToDBFS),
		checkRange("step_db", s.StepDB, 0.01, 200, "dB"), checkSeconds("step_seconds", s.StepSeconds)); err != nil {
		return err
	}
	if n := len(s.Levels()); n > mostSteps {
		return &dsp.SettingError{Setting: "step_db", Found: fmt.Sprintf("%d steps", n), Accepted: fmt.Sprintf("%d steps at most", mostSteps)}
	}
	return nil
}
