package proof

import (
	"context"
	"sync"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp/wave"
)

// reusedChain is a chain as a device that uses its engines again, as a batch of files does,
// so that state left by one run would show in the next.
type reusedChain struct {
	*chain.Chain
	mu   sync.Mutex
	free map[[2]int][]*chain.Engine // by rate and channels
}

func reused(c *chain.Chain) *reusedChain {
	return &reusedChain{Chain: c, free: map[[2]int][]*chain.Engine{}}
}

// Respond runs the chain, with its latency.
func (c *reusedChain) Respond(ctx context.Context, played wave.Source, response wave.Sink) error {
	return c.run(ctx, played, response, chain.Options{KeepDelay: true})
}

// respondRounded is Respond with the response on the grid of 16-bit integers.
func (c *reusedChain) respondRounded(ctx context.Context, played wave.Source, response wave.Sink) error {
	f := played.Format()
	q, err := wave.NewQuantiser(wave.Format{Rate: f.Rate, Channels: f.Channels, Encoding: wave.Integer, Bits: roundedBits}, wave.TPDF, 1)
	if err != nil {
		return err
	}
	return c.run(ctx, played, response, chain.Options{KeepDelay: true, Quantiser: q})
}

func (c *reusedChain) run(ctx context.Context, played wave.Source, response wave.Sink, o chain.Options) error {
	key := [2]int{played.Format().Rate, played.Format().Channels}
	c.mu.Lock()
	var engine *chain.Engine
	if n := len(c.free[key]); n > 0 {
		engine, c.free[key] = c.free[key][n-1], c.free[key][:n-1]
	}
	c.mu.Unlock()
	if engine == nil {
		var err error
		if engine, err = c.Prepare(key[0], key[1]); err != nil {
			return err
		}
	}
	_, err := engine.Run(ctx, played, response, o)
	c.mu.Lock()
	c.free[key] = append(c.free[key], engine)
	c.mu.Unlock()
	return err
}
