package chain_test

import (
	"context"
	"errors"
	"io"
	"math"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// breaking is a source that breaks its contract.
type breaking func(b dsp.Block) (int, error)

func (breaking) Format() wave.Format             { return wave.Unquantised(48000, 2) }
func (r breaking) Read(b dsp.Block) (int, error) { return r(b) }

// closed is a sink whose reader has gone.
type closed struct{}

func (closed) Write(dsp.Block) error { return io.EOF }

func contractEngine(t *testing.T) *chain.Engine {
	c, err := chain.Parse("starter", chain.Starter())
	if err != nil {
		t.Fatal(err)
	}
	e, err := c.Prepare(48000, 2)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// Whatever a source or a sink does, a run ends, and its error is in words.
func TestRunsEndWhateverSourceAndSinkDo(t *testing.T) {
	ctx := t.Context() // a run without an end fails by the time limit of go test
	first := true
	for says, src := range map[string]wave.Source{
		"no frames and no error 100 times": breaking(func(dsp.Block) (int, error) { return 0, nil }),
		"the source returned -1 frames":    breaking(func(dsp.Block) (int, error) { return -1, io.EOF }),
		"accepted: 0 to ":                  breaking(func(b dsp.Block) (int, error) { return b.Frames() + 1, nil }),
		"NaN or infinite: 1 sample": breaking(func(b dsp.Block) (int, error) {
			if first {
				first = false
				b[1][0] = math.Inf(1)
				return 1, nil
			}
			return 0, nil
		}),
	} {
		for workers := range 3 {
			first = true
			m := wave.NewMemory(wave.Unquantised(48000, 2), make(dsp.Block, 2))
			_, err := contractEngine(t).Run(ctx, src, m, chain.Options{Workers: workers})
			if err == nil || !strings.Contains(err.Error(), says) {
				t.Errorf("%d workers: error %v; want one that says %q", workers, err, says)
			}
		}
	}
	sound := func() wave.Source { return wave.NewMemory(wave.Unquantised(48000, 2), dsp.NewBlock(2, 100_000)) }
	for workers := range 3 {
		if _, err := contractEngine(t).Run(ctx, sound(), closed{}, chain.Options{Workers: workers}); !errors.Is(err, io.EOF) {
			t.Errorf("%d workers, a sink that has ended: error %v; want one that wraps io.EOF", workers, err)
		}
	}
	// Of sound without an end that holds a NaN, the context ends the count.
	short, stop := context.WithCancel(ctx)
	defer stop()
	reads := 0
	if _, err := contractEngine(t).Process(short, breaking(func(b dsp.Block) (int, error) {
		if reads++; reads == 100 {
			stop()
		}
		b[0][0] = math.NaN()
		return 1, nil
	}), closed{}); err == nil || !strings.Contains(err.Error(), "NaN or infinite: ") {
		t.Errorf("NaN without an end: %v", err)
	}
	q, err := wave.NewQuantiser(wave.Format{Rate: 48000, Channels: 1, Bits: 16}, wave.TPDF, 0)
	if err != nil {
		t.Fatal(err)
	}
	both := wave.NewMemory(wave.Unquantised(48000, 2), dsp.NewBlock(2, 1000))
	zero := &chain.Engine{}
	for says, run := range map[string]func() error{
		"the quantiser is for 1 channel; accepted: 2": func() error {
			_, err := contractEngine(t).Run(ctx, sound(), both, chain.Options{Quantiser: q})
			return err
		},
		"the source is the sink": func() error { _, err := contractEngine(t).Process(ctx, both, both); return err },
		"the engine was not prepared": func() error {
			_, err := zero.ProcessPlanes(ctx, nil)
			return err
		},
	} {
		if err := run(); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("error %v; want one that says %q", err, says)
		}
	}
	if c, err := chain.Parse("starter", chain.Starter()); err != nil || c.TextWith(-1, nil) != nil || c.TextWith(99, nil) != nil {
		t.Errorf("TextWith of a stage that there is not gives a text (%v)", err)
	}
}
