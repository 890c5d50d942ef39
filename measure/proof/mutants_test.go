package proof

import (
	"context"
	"math"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/proof/model"
)

// The chain that mutants are made of: every order and every stage of it shows.
const mutable = `[[stage]]
kind = "highpass"
[[stage]]
kind = "expander"
threshold_dbfs = -45
[[stage]]
kind = "compressor"
threshold_dbfs = -24
[[stage]]
kind = "de-esser"
[[stage]]
kind = "limiter"
ceiling_dbtp = -3
`

// altered is a device with something done to its response.
type altered struct {
	instrument.Device
	alter func(sound dsp.Block)
}

func (d altered) Respond(ctx context.Context, played wave.Source, response wave.Sink) error {
	f := played.Format()
	out := wave.NewMemory(f, dsp.NewBlock(f.Channels, 0))
	if err := d.Device.Respond(ctx, played, out); err != nil {
		return err
	}
	d.alter(out.Planes())
	return response.Write(out.Planes())
}

// Each fault that can be built into a chain as a whole fails the claim that names it.
func TestMutantsOfAChainFail(t *testing.T) {
	const rate = 32000
	c := parse(t, mutable)
	experiments, err := whole(c, rate)
	if err != nil {
		t.Fatal(err)
	}
	type mutant struct {
		name   string
		device instrument.Device
		fails  string
	}
	mutants := []mutant{
		{"a sample of zero", altered{reused(c), func(b dsp.Block) { b[0][b.Frames()/3] = 0 }}, "programme_largest_difference_dbfs"},
		{"no dither", undithered{reused(c)}, "rounding_noise_lsb"},
		{"a Reset that leaves state", newUnreset(t, c.Stages[2].Settings.(dsp.CompressorSettings), rate), "repeat_changed_samples"},
		{"one channel 0.011 dB louder", altered{reused(c), func(b dsp.Block) { scaled(b[len(b)-1], 1.0013) }}, "programme_gain_trace_db"},
		{"two channels swapped", altered{reused(c), func(b dsp.Block) { b[0], b[len(b)-1] = b[len(b)-1], b[0] }}, "programme_residual_db"},
	}
	for i := range c.Stages {
		dropped := *c
		dropped.Stages = append(append(dropped.Stages[:0:0], c.Stages[:i]...), c.Stages[i+1:]...)
		fails := "programme_residual_db"
		if c.Stages[i].Kind == "limiter" {
			fails = "programme_gain_trace_db"
		}
		mutants = append(mutants, mutant{c.Stages[i].Kind + " dropped", reused(&dropped), fails})
		if i > 0 {
			swapped := *c
			swapped.Stages = append(swapped.Stages[:0:0], c.Stages...)
			swapped.Stages[i-1], swapped.Stages[i] = swapped.Stages[i], swapped.Stages[i-1]
			mutants = append(mutants, mutant{c.Stages[i-1].Kind + " and " + c.Stages[i].Kind + " swapped", reused(&swapped), "programme_residual_db"})
		}
	}
	for _, m := range mutants {
		t.Run(m.name, func(t *testing.T) {
			t.Parallel()
			if failed := failuresOf(t, experiments, m.device, rate, m.fails); !strings.Contains(failed, " "+m.fails+" ") {
				t.Errorf("failed:%s, want %s among them", failed, m.fails)
			}
		})
	}
}

func scaled(x []float64, gain float64) {
	for n := range x {
		x[n] *= gain
	}
}

// undithered is a chain that rounds without dither.
type undithered struct{ *reusedChain }

func (d undithered) respondRounded(ctx context.Context, played wave.Source, response wave.Sink) error {
	return altered{d.reusedChain, func(b dsp.Block) {
		for _, plane := range b {
			for n, v := range plane {
				plane[n] = math.Round(v*32768) / 32768
			}
		}
	}}.Respond(ctx, played, response)
}

// unreset is a compressor whose envelope goes on from one sound to the next.
type unreset struct{ p dsp.Processor }

func newUnreset(t *testing.T, s dsp.CompressorSettings, rate int) unreset {
	t.Helper()
	p, err := dsp.NewCompressor(s, rate, 2)
	if err != nil {
		t.Fatal(err)
	}
	return unreset{p}
}

func (d unreset) Respond(ctx context.Context, played wave.Source, response wave.Sink) error {
	return altered{through{}, func(b dsp.Block) { d.p.Process(b) }}.Respond(ctx, played, response)
}

// through is a device that changes nothing.
type through struct{}

func (through) Respond(_ context.Context, played wave.Source, response wave.Sink) error {
	b, err := planesOf(played)
	if err != nil {
		return err
	}
	return response.Write(b)
}

// A broken response fails every claim about it, also where undecided claims are accepted.
func TestBrokenResponsesFail(t *testing.T) {
	c := alone(stage(t, comp))
	for name, alter := range map[string]func(dsp.Block){
		"NaN at the end": func(b dsp.Block) { b[0][b.Frames()-1] = math.NaN() },
		"all NaN":        func(b dsp.Block) { scaled(b[0], math.NaN()) },
		"infinite":       func(b dsp.Block) { b[len(b)-1][5000] = math.Inf(-1) },
		"silent": func(b dsp.Block) {
			for _, plane := range b {
				clear(plane)
			}
		},
		"a frame short": func(b dsp.Block) {
			for c := range b {
				b[c] = b[c][:len(b[c])-1]
			}
		},
	} {
		experiments, err := experimentsOf(c.Stages[0], 16000)
		if err != nil {
			t.Fatal(err)
		}
		sheet := &Sheet{RateHz: 16000}
		if err := sheet.prove(t.Context(), "compressor", altered{c, alter}, experiments[:2]); err != nil {
			t.Fatal(err)
		}
		if n := sheet.Count(measure.Fail); n != len(sheet.Lines) || n < 5 || sheet.Holds(true) {
			t.Errorf("%s: %d of %d claims failed, want all", name, n, len(sheet.Lines))
		}
	}
}

// A hold that expires while the gain stands still shows after one of the lengths of the high
// level that are tried.
func TestHoldThatExpiresEarlyFails(t *testing.T) {
	const declared = comp + "; hold_ms = 100; release_ms = 40"
	used := usedHold{stage(t, declared).Settings.(dsp.CompressorSettings)}
	if failed := failures(t, declared, used, "release_begins_ms"); !strings.Contains(failed, " release_begins_ms ") {
		t.Errorf("failed:%s, want release_begins_ms among them", failed)
	}
	if failed := failures(t, declared, alone(stage(t, declared)), "release_begins_ms"); failed != " " {
		t.Errorf("as declared: failed:%s, want none", failed)
	}
}

// usedHold is a compressor whose hold restarts on a clock of its own, once in every hold: how
// much of it is left when the level drops depends on the moment.
type usedHold struct{ dsp.CompressorSettings }

func (d usedHold) Respond(ctx context.Context, played wave.Source, response wave.Sink) error {
	s := d.CompressorSettings
	hold := dsp.Frames(s.HoldMs, played.Format().Rate)
	rate := played.Format().Rate
	// What is left depends on when the level drops: the samples show it.
	src, err := planesOf(played)
	if err != nil {
		return err
	}
	high, last := 0.0, 0
	for _, v := range src[0] {
		high = max(high, math.Abs(v))
	}
	for n, v := range src[0] {
		if math.Abs(v) > high/2 {
			last = n
		}
	}
	left := hold - last%hold
	s.HoldMs = float64(left) * 1000 / float64(rate)
	return model.Chain{Settings: []any{s}}.Respond(ctx, wave.NewMemory(played.Format(), src), response)
}
