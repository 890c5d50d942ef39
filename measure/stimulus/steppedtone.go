package stimulus

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// SteppedTone is one tone whose level rises or falls in steps without a pause, and back if Back
// is set. It is for the static curve of a level-dependent stage. Between steps the level glides
// for glideMs.
type SteppedTone struct {
	Hz          float64
	FromDBFS    float64 // peak of the first step
	ToDBFS      float64 // peak of the last, at most a step short of it
	StepDB      float64 // more than 0; FromDBFS and ToDBFS give the direction
	StepSeconds float64
	Back        bool // and the same steps back
	Channels    int  // 0 means one
}

// glideMs is the length of the glide between two levels in ms: a jump would be a click. (common
// practice, no source)
const glideMs = 10

// StandardSteppedTone rises from −60 dBFS in steps of 1 dB, and back.
func StandardSteppedTone(toDBFS float64) SteppedTone {
	return SteppedTone{Hz: StandardHz, FromDBFS: -60, ToDBFS: toDBFS, StepDB: 1, StepSeconds: 0.5, Back: true}
}

// Kind is "stepped-tone".
func (s SteppedTone) Kind() string { return "stepped-tone" }

// Levels are the peaks in dBFS, in the order of the steps.
func (s SteppedTone) Levels() []float64 {
	levels := ToneSeries{FromDBFS: s.FromDBFS, ToDBFS: s.ToDBFS, StepDB: s.StepDB}.Levels()
	if s.Back {
		for i := len(levels) - 1; i >= 0; i-- {
			levels = append(levels, levels[i])
		}
	}
	return levels
}

// Step is the first frame of the i-th step and one past its last, at a rate in Hz.
func (s SteppedTone) Step(i, rate int) (from, to int) {
	length := frames(s.StepSeconds, rate)
	return i * length, (i + 1) * length
}

// Make returns the tone at a rate in Hz.
func (s SteppedTone) Make(rate int) (dsp.Block, error) {
	if err := s.check(rate); err != nil {
		return nil, err
	}
	levels := s.Levels()
	_, length := s.Step(len(levels)-1, rate)
	plane := make([]float64, length)
	addSine(plane, s.Hz, 1, rate)
	glide := frames(glideMs/1000.0, rate)
	last := dsp.DBToAmplitude(levels[0])
	for i, level := range levels {
		from, to := s.Step(i, rate)
		amplitude := dsp.DBToAmplitude(level)
		for n := range plane[from:to] {
			a := amplitude
			if n < glide {
				sin, _ := dsp.SincosPi(float64(n) / float64(2*glide))
				a = last + float64((amplitude-last)*float64(sin*sin))
			}
			plane[from+n] *= a
		}
		last = amplitude
	}
	fade(plane, rate)
	return spread(plane, s.Channels, 0), nil
}

func (s SteppedTone) check(rate int) error {
	if err := firstError(checkFormat(rate, s.Channels), checkHz("hz", s.Hz, rate), checkPeak("from_dbfs", s.FromDBFS), checkPeak("to_dbfs", s.ToDBFS),
		checkRange("step_db", s.StepDB, 0.01, 200, "dB"), checkRange("step_seconds", s.StepSeconds, 0.05, 60, "s")); err != nil {
		return err
	}
	if n := math.Abs(s.ToDBFS-s.FromDBFS) / s.StepDB; n >= mostSteps {
		return &dsp.SettingError{Setting: "step_db", Found: fmt.Sprintf("%.0f steps", n), Accepted: fmt.Sprintf("less than %d steps", mostSteps)}
	}
	return nil
}
