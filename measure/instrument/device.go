package instrument

import (
	"context"
	"errors"
	"fmt"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// Device turns a stimulus into a response. It is a chain in process (*chain.Chain), an outside
// command ([Command]), or hardware of which there is a recording ([Recorded]). The response
// includes the device's own delay and may be longer than the stimulus.
type Device interface {
	Respond(ctx context.Context, stimulus wave.Source, response wave.Sink) error
}

var errNoDevice = errors.New("found no device: nil; accepted: a chain, a command or a recording")

// Respond puts planar sound, channels x frames, through a device in memory.
func Respond(ctx context.Context, d Device, rate int, stimulus dsp.Block) (dsp.Block, error) {
	if err := checkRespond(d, rate, stimulus); err != nil {
		return nil, err
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

// RespondStored is Respond for many channels and long sound: a large response is kept in a
// temporary file. The caller closes it.
func RespondStored(ctx context.Context, d Device, rate int, stimulus dsp.Block) (*wave.Stored, error) {
	if err := checkRespond(d, rate, stimulus); err != nil {
		return nil, err
	}
	format := wave.Unquantised(rate, len(stimulus))
	response := wave.NewStored(format)
	if err := d.Respond(ctx, wave.NewMemory(format, stimulus), response); err != nil {
		response.Close()
		return nil, err
	}
	return response, nil
}

func checkRespond(d Device, rate int, stimulus dsp.Block) error {
	switch {
	case d == nil:
		return errNoDevice
	case len(stimulus) == 0 || len(stimulus) > dsp.MaxChannels:
		return fmt.Errorf("found a stimulus of %d channels; accepted: 1 to %d", len(stimulus), dsp.MaxChannels)
	case rate < dsp.MinRate || rate > dsp.MaxRate:
		return fmt.Errorf("found a rate of %d Hz; accepted: %d to %d Hz", rate, dsp.MinRate, dsp.MaxRate)
	}
	return nil
}
