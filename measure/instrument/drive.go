package instrument

import (
	"context"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// Driven is a device with a gain ahead of it. It can thus be driven over full scale, which a
// file of integers cannot hold.
type Driven struct {
	Device
	DriveDB float64
}

// Respond puts the amplified stimulus through the device.
func (d Driven) Respond(ctx context.Context, stimulus wave.Source, response wave.Sink) error {
	return d.Device.Respond(ctx, &amplified{stimulus, dsp.DBToAmplitude(d.DriveDB)}, response)
}

// amplified is a source with a gain.
type amplified struct {
	wave.Source
	gain float64
}

func (a *amplified) Read(b dsp.Block) (int, error) {
	n, err := a.Source.Read(b)
	for _, plane := range b {
		for i := range plane[:n] {
			plane[i] *= a.gain
		}
	}
	return n, err
}
