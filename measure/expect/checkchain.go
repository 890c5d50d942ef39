package expect

import (
	"context"
	"slices"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/proof"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// CheckChain measures a chain, with each instrument once for each rate, and judges it by
// the limits of all groups about it. Where a limit counts claims that fail, their own
// lines follow it.
func (l *Limits) CheckChain(ctx context.Context, path string) Checked {
	checked := begin(path, nil)
	c, err := chain.Load(path)
	if err != nil {
		checked.Err = err
		return checked
	}
	rates := map[int]*measuredChain{}
	place := placeOf(path)
	for k, g := range l.Groups {
		if g.Chain == "" || placeOf(g.Chain) != place {
			continue
		}
		checked.groups = append(checked.groups, k)
		m := rates[g.RateHz]
		if m == nil {
			m = &measuredChain{chain: c, rate: g.RateHz, known: map[origin]measure.Readings{}}
			rates[g.RateHz] = m
		}
		for _, limit := range g.wanted() {
			kind, _ := originOf(limit.Reading)
			readings, err := m.readings(ctx, kind)
			if err != nil {
				checked.Err = err
				return checked
			}
			j := instrument.NameSignal(measure.Judge(path, 0, readings, limit))
			checked.judged(k, j)
			if j.Verdict == measure.Pass {
				continue
			}
			for _, claim := range m.unproven(limit.Reading) {
				checked.judged(k, claim)
			}
		}
	}
	return checked
}

// measuredChain is a chain at a rate and its readings so far.
type measuredChain struct {
	chain *chain.Chain
	rate  int
	sheet *proof.Sheet
	known map[origin]measure.Readings
}

func (m *measuredChain) readings(ctx context.Context, kind origin) (measure.Readings, error) {
	if r, ok := m.known[kind]; ok {
		return r, nil
	}
	r, err := m.take(ctx, kind)
	m.known[kind] = r
	return r, err
}

func (m *measuredChain) take(ctx context.Context, kind origin) (r measure.Readings, err error) {
	switch kind {
	case ofProof:
		if m.sheet, err = proof.OfChain(ctx, m.chain, m.rate, nil); err == nil {
			r = m.sheet.Readings()
		}
	case ofLatency:
		r, err = instrument.Run(ctx, m.chain, instrument.Latency{Impulse: stimulus.StandardImpulse(stimulus.DefaultPeakDBFS)}, m.rate)
	case ofOvershoot:
		ceiling, ok := m.chain.Ceiling()
		if !ok {
			return nil, nil // nothing to judge by
		}
		r, err = instrument.WorstOvershoot(ctx, m.chain, ceiling, 0, m.rate, 2)
	}
	return r, err
}

// unproven are the claims behind a count of claims, if they did not pass.
func (m *measuredChain) unproven(reading string) []measure.Judgement {
	wanted, counts := map[string]measure.Verdict{"claims_failed": measure.Fail, "claims_undecided": measure.Undecided}[reading]
	if !counts {
		return nil
	}
	var all []measure.Judgement
	for _, line := range m.sheet.Lines {
		if line.Verdict == wanted {
			j := line.Judgement
			j.Subject = m.chain.Path + ", " + line.Stage
			all = append(all, j)
		}
	}
	return slices.Clip(all)
}
