package proof

import (
	"context"
	"fmt"
	"runtime"
	"slices"
	"sync"

	"golang.org/x/sync/errgroup"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/proof/model"
)

// prover states what a stage of one kind claims at a rate in Hz, from its settings
// alone.
type prover func(settings any, rate int) []experiment

// proves connects a prover with the settings of its kind.
func proves[S any](state func(s S, rate int) []experiment) prover {
	return func(settings any, rate int) []experiment { return state(settings.(S), rate) }
}

// provers has a line for every kind of stage; a test compares it with the kinds.
var provers = map[string]prover{
	"highpass":   proves(highPass),
	"expander":   proves(expander),
	"compressor": proves(compressor),
	"equaliser":  proves(equaliser),
	"de-esser":   proves(deEsser),
	"limiter":    proves(limiter),
	"gain":       proves(gain),
	"polarity":   proves(polarity),
	"delay":      proves(func(dsp.DelaySettings, int) []experiment { return nil }), // its latency is its only claim
}

// experimentsOf states all claims of a stage at a rate in Hz, its latency first.
func experimentsOf(s chain.Stage, rate int) ([]experiment, error) {
	state, known := provers[s.Kind]
	if !known {
		return nil, fmt.Errorf("a stage of kind %q has no proof", s.Kind)
	}
	late, err := stageLatency(s, rate)
	if err != nil {
		return nil, err
	}
	all := append([]experiment{late}, state(s.Settings, rate)...)
	if _, limits := s.Settings.(dsp.LimiterSettings); limits { // its model has no guard, and so exceeds the ceiling
		return all, nil
	}
	for i := range all {
		all[i].Model = model.Chain{Settings: []any{s.Settings}}
	}
	return all, nil
}

// stageLatency claims the latency that a built stage declares and, for a delay, the
// one that its settings ask for.
func stageLatency(s chain.Stage, rate int) (experiment, error) {
	channels := reach(channelsOf(s.Settings))
	if d, ok := s.Settings.(dsp.DelaySettings); ok {
		return latency(delayFrames(d, rate, channels)...), nil
	}
	e, err := alone(s).Prepare(rate, channels)
	if err != nil {
		return experiment{}, err
	}
	return latency(slices.Repeat([]int{e.Latency()}, channels)...), nil
}

// alone is the chain of one stage.
func alone(s chain.Stage) *chain.Chain { return &chain.Chain{Stages: []chain.Stage{s}} }

// part is a single stage, or the whole chain, with its claims.
type part struct {
	name        string
	chain       *chain.Chain
	device      instrument.Device
	experiments []experiment
}

// OfChain proves each enabled stage of a chain alone, then the whole chain, at a
// rate in Hz, on as many goroutines as there are processors. Shown, if not nil,
// receives each measured line, its number and their total.
func OfChain(ctx context.Context, c *chain.Chain, rate int, shown func(stage string, i, of int)) (*Sheet, error) {
	return ofChain(ctx, c, &Sheet{Subject: c.Path, RateHz: rate}, shown)
}

// ofChain adds a chain's lines to an empty sheet.
func ofChain(ctx context.Context, c *chain.Chain, sheet *Sheet, shown func(stage string, i, of int)) (*Sheet, error) {
	parts, err := partsOf(c, sheet.RateHz)
	if err != nil {
		return nil, err
	}
	return sheet, sheet.proveParts(ctx, parts, runtime.GOMAXPROCS(0), shown)
}

// partsOf states the claims of a chain's stages and of the whole chain.
func partsOf(c *chain.Chain, rate int) ([]part, error) {
	if _, err := c.Prepare(rate, 2); err != nil { // all that is wrong, with its place
		return nil, err
	}
	var parts []part
	for _, s := range c.Stages {
		if !s.Enabled {
			continue
		}
		experiments, err := experimentsOf(s, rate)
		if err != nil {
			return nil, err
		}
		parts = append(parts, part{s.Name, alone(s), reused(alone(s)), experiments})
	}
	experiments, err := whole(c, rate)
	if err != nil {
		return nil, err
	}
	return append(parts, part{wholeChain, c, reused(c), experiments}), nil
}

// proveParts runs the experiments of all parts on a number of goroutines and adds
// their lines in order.
func (s *Sheet) proveParts(ctx context.Context, parts []part, workers int, shown func(stage string, i, of int)) error {
	type task struct {
		part       *part
		experiment *experiment
		outcome
	}
	var tasks []task
	for i := range parts {
		for k := range parts[i].experiments {
			tasks = append(tasks, task{part: &parts[i], experiment: &parts[i].experiments[k]})
		}
	}
	var mu sync.Mutex
	done := 0
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(max(1, workers))
	for i := range tasks {
		g.Go(func() (err error) {
			t := &tasks[i]
			t.outcome, err = t.experiment.outcome(ctx, t.part.name, t.part.device, s.RateHz, s.keepCurves)
			mu.Lock()
			defer mu.Unlock()
			if done++; shown != nil {
				shown(t.part.name, done, len(tasks))
			}
			return err
		})
	}
	err := g.Wait()
	for _, t := range tasks {
		s.add(t.outcome)
	}
	return err
}

// wholeChain is the name of the whole chain, where otherwise a stage is named.
const wholeChain = "whole chain"
