package proof

import (
	"context"
	"fmt"
	"slices"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/instrument"
)

// prover states what a stage of one kind claims at a rate in Hz, from its settings
// alone.
type prover func(settings any, rate int) []Experiment

// proves ties a prover to the settings of its kind.
func proves[S any](state func(s S, rate int) []Experiment) prover {
	return func(settings any, rate int) []Experiment { return state(settings.(S), rate) }
}

// provers has a line for every kind of stage; a test holds it against the kinds.
var provers = map[string]prover{
	"highpass":   proves(highPass),
	"expander":   proves(expander),
	"compressor": proves(compressor),
	"equaliser":  proves(equaliser),
	"de-esser":   proves(deEsser),
	"limiter":    proves(limiter),
	"gain":       proves(gain),
	"polarity":   proves(polarity),
	"delay":      proves(func(dsp.DelaySettings, int) []Experiment { return nil }), // its latency says all
}

// Of states all that a stage claims at a rate in Hz, its latency first.
func Of(s chain.Stage, rate int) ([]Experiment, error) {
	state, known := provers[s.Kind]
	if !known {
		return nil, fmt.Errorf("a stage of kind %s has no proof", s.Kind)
	}
	late, err := stageLatency(s, rate)
	if err != nil {
		return nil, err
	}
	return append([]Experiment{late}, state(s.Settings, rate)...), nil
}

// stageLatency claims the latency that a built stage declares and, for a delay, the
// one that its settings ask for.
func stageLatency(s chain.Stage, rate int) (Experiment, error) {
	channels := reach(channelsOf(s.Settings))
	if d, ok := s.Settings.(dsp.DelaySettings); ok {
		return latency(delayFrames(d, rate, channels)...), nil
	}
	e, err := alone(s).Prepare(rate, channels)
	if err != nil {
		return Experiment{}, err
	}
	return latency(slices.Repeat([]int{e.Latency()}, channels)...), nil
}

// alone is the chain of one stage.
func alone(s chain.Stage) *chain.Chain { return &chain.Chain{Stages: []chain.Stage{s}} }

// OfChain proves each enabled stage of a chain alone, then the whole chain, at a
// rate in Hz. Shown, if not nil, is told what is being measured, the how manieth
// of how many it is.
func OfChain(ctx context.Context, c *chain.Chain, rate int, shown func(stage string, i, of int)) (*Sheet, error) {
	return ofChain(ctx, c, &Sheet{Subject: c.Path, RateHz: rate}, shown)
}

// ofChain adds a chain's lines to an empty sheet.
func ofChain(ctx context.Context, c *chain.Chain, sheet *Sheet, shown func(stage string, i, of int)) (*Sheet, error) {
	rate := sheet.RateHz
	if _, err := c.Prepare(rate, 2); err != nil { // all that is wrong, with its place
		return nil, err
	}
	type part struct {
		name        string
		device      instrument.Device
		experiments []Experiment
	}
	var parts []part
	total := 0
	for _, s := range c.Stages {
		if !s.Enabled {
			continue
		}
		experiments, err := Of(s, rate)
		if err != nil {
			return nil, err
		}
		parts = append(parts, part{s.Name, alone(s), experiments})
		total += len(experiments)
	}
	experiments, err := whole(c, rate)
	if err != nil {
		return nil, err
	}
	parts = append(parts, part{WholeChain, c, experiments})
	total += len(experiments)
	done := 0
	for _, p := range parts {
		for _, x := range p.experiments {
			if shown != nil {
				shown(p.name, done, total)
			}
			done++
			if err := sheet.Prove(ctx, p.name, p.device, []Experiment{x}); err != nil {
				return nil, err
			}
		}
	}
	return sheet, nil
}

// WholeChain stands in place of a stage's name for the chain as a whole.
const WholeChain = "whole chain"
