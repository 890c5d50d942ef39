package stimulus

import (
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// LevelStep is a tone that is low, then high, then low again: a tone burst on a lower tone, for
// attack and release times. A period is a whole number of frames and a multiple of 4. The level
// jumps where a period begins.
type LevelStep struct {
	Hz            float64 // the nearest with such a period is taken
	LowDBFS       float64 // peak
	HighDBFS      float64
	BeforeSeconds float64 // low
	DuringSeconds float64 // high
	AfterSeconds  float64 // low again
	Channels      int     // 0 means one
}

// StandardLevelStep is a step of 20 dB up and down again.
func StandardLevelStep(highDBFS float64) LevelStep {
	return LevelStep{Hz: 6000, LowDBFS: highDBFS - 20, HighDBFS: highDBFS, BeforeSeconds: 1, DuringSeconds: 1, AfterSeconds: 3}
}

// Kind is "level-step".
func (s LevelStep) Kind() string { return "level-step" }

// Period is the length of a period in frames at a rate in Hz.
func (s LevelStep) Period(rate int) int {
	return 4 * max(1, int(math.Round(float64(rate)/(4*s.Hz))))
}

// Steps are the frames at which the level goes up and down.
func (s LevelStep) Steps(rate int) (up, down int) {
	period := s.Period(rate)
	whole := func(seconds float64) int { return period * int(math.Ceil(seconds*float64(rate)/float64(period))) }
	up = whole(s.BeforeSeconds)
	return up, up + whole(s.DuringSeconds)
}

// Make returns the tone at a rate in Hz.
func (s LevelStep) Make(rate int) (dsp.Block, error) {
	if err := firstError(checkFormat(rate, s.Channels), checkHz("hz", s.Hz, rate), checkRange("low_dbfs", s.LowDBFS, -200, s.HighDBFS, "dBFS"),
		checkRange("high_dbfs", s.HighDBFS, -200, 0, "dBFS"), checkRange("before_seconds", s.BeforeSeconds, 0.03, 600, "s"),
		checkRange("during_seconds", s.DuringSeconds, 0.03, 600, "s"), checkRange("after_seconds", s.AfterSeconds, 0.03, 600, "s")); err != nil {
		return nil, err
	}
	up, down := s.Steps(rate)
	plane := make([]float64, down+frames(s.AfterSeconds, rate))
	addSine(plane, 1, 1, s.Period(rate)) // one turn in a period
	low, high := dsp.DBToAmplitude(s.LowDBFS), dsp.DBToAmplitude(s.HighDBFS)
	for n := range plane {
		if n >= up && n < down {
			plane[n] *= high
		} else {
			plane[n] *= low
		}
	}
	fade(plane, rate)
	return spread(plane, s.Channels, 0), nil
}
