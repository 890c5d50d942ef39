package instrument

import (
	"context"
	"fmt"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// Device turns a stimulus into a response: a chain in process (*chain.Chain is
// one), an outside command ([Command]), hardware of which there is a recording
// ([Recorded]). The response has the device's own delay in it and may be longer
// than the stimulus.
type Device interface {
	Respond(ctx context.Context, stimulus wave.Source, response wave.Sink) error
}

// Respond puts planar sound through a device in memory.
func Respond(ctx context.Context, d Device, rate int, stimulus dsp.Block) (dsp.Block, error) {
	if rate < dsp.MinRate || rate > dsp.MaxRate {
		return nil, fmt.Errorf("found a rate of %d Hz; accepted: %d to %d Hz", rate, dsp.MinRate, dsp.MaxRate)
	}
	format := wave.Unquantised(rate, len(stimulus))
	planes := make(dsp.Block, len(stimulus))
	for c := range planes { // room for a second of delay
		planes[c] = make([]float64, 0, stimulus.Frames()+rate)
	}
	response := wave.NewMemory(format, planes)
	err := d.Respond(ctx, wave.NewMemory(format, stimulus), response)
	return response.Planes(), err
}
