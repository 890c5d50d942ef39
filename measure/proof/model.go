package proof

import (
	"context"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// model is what the settings of a stage that works by level mean, in the plainest
// code: level, static curve, one-pole in dB. It shares nothing with package dsp,
// knows the amplitude of a level step in advance, and takes no care of speed. It
// is a device, so that an instrument reads from it what it has to read from the
// stage.
type model struct {
	step        stimulus.LevelStep
	rms         bool    // else the largest crest of the window
	windowMs    float64 // of the detector
	gainMs      float64 // time constants: of the gain rising …
	reductionMs float64 // … and of it falling
	holdMs      float64 // the largest attenuation wanted within it counts
	lookaheadMs float64
	atRestDB    float64 // attenuation before the sound begins
	// wanted is the attenuation in dB at a level in dBFS of the detector.
	wanted func(levelDBFS float64) float64
}

// Respond multiplies the step by the model's gain.
func (m model) Respond(_ context.Context, played wave.Source, response wave.Sink) error {
	rate := played.Format().Rate
	sound, err := m.step.Make(rate)
	if err != nil {
		return err
	}
	gain := m.gain(rate, len(sound[0]))
	late := dsp.Frames(m.lookaheadMs, rate)
	out := dsp.NewBlock(1, len(sound[0])+late)
	for n, x := range sound[0] {
		out[0][n+late] = x
	}
	for n := range out[0] {
		out[0][n] *= math.Pow(10, gain[min(n, len(gain)-1)]/20)
	}
	return response.Write(out)
}

// gain is the gain in dB by frames.
func (m model) gain(rate, frames int) []float64 {
	up, down := m.step.Steps(rate)
	window := max(1, int(math.Round(m.windowMs*float64(rate)/1000)))
	high, low := math.Pow(10, m.step.HighDBFS/10), math.Pow(10, m.step.LowDBFS/10) // squared peaks
	level := func(n int) float64 {
		if !m.rms {
			if n >= up && n < down+window {
				return m.step.HighDBFS
			}
			return m.step.LowDBFS
		}
		// The share of a triangle over the last window that lies from the step on.
		since := func(step int) float64 {
			t := min(1, max(0, float64(n-step)/float64(window)))
			if t < 0.5 {
				return 2 * t * t
			}
			return 1 - 2*(1-t)*(1-t)
		}
		share := since(up) - since(down)
		return 10 * math.Log10((low+(high-low)*share)/2)
	}
	pole := func(ms float64) float64 {
		if ms <= 0 {
			return 0
		}
		return math.Exp(-1000 / (ms * float64(rate)))
	}
	rises, falls := pole(m.gainMs), pole(m.reductionMs)
	hold := int(math.Round(m.holdMs * float64(rate) / 1000))
	gain := make([]float64, frames)
	attenuation := m.atRestDB
	wanted := make([]float64, frames)
	var held []int // frames whose attenuation may yet be the largest within the hold, falling
	for n := range gain {
		wanted[n] = m.wanted(level(n))
		for len(held) > 0 && wanted[held[len(held)-1]] <= wanted[n] {
			held = held[:len(held)-1]
		}
		if held = append(held, n); held[0] < n-hold {
			held = held[1:]
		}
		target, pole := wanted[held[0]], rises
		if target >= attenuation {
			pole = falls
		}
		attenuation = target + (attenuation-target)*pole
		gain[n] = -attenuation
	}
	return gain
}
