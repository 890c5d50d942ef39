package instrument

import (
	"context"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// uneven is a device that writes planes of different lengths.
type uneven struct{}

func (uneven) Respond(_ context.Context, _ wave.Source, response wave.Sink) error {
	return response.Write(dsp.Block{make([]float64, 10), make([]float64, 9)})
}

func TestRespondRefusesWrongDevicesAndSound(t *testing.T) {
	if _, err := Respond(t.Context(), uneven{}, 48000, dsp.NewBlock(2, 100)); err == nil || !strings.Contains(err.Error(), "found 9 frames in channel 2 and 10 in channel 1") {
		t.Error(err)
	}
	if _, err := Respond(t.Context(), curve(func(x float64) float64 { return x }), 0, dsp.NewBlock(1, 100)); err == nil || !strings.Contains(err.Error(), "found a rate of 0 Hz") {
		t.Error(err)
	}
	for name, respond := range map[string]func() error{
		"no device":  func() error { _, err := Respond(t.Context(), nil, 48000, dsp.NewBlock(1, 100)); return err },
		"no channel": func() error { _, err := Respond(t.Context(), uneven{}, 48000, nil); return err },
		"no device to drive": func() error {
			_, err := WorstOvershoot(t.Context(), nil, -1, 0, 48000, 2)
			return err
		},
	} {
		if err := respond(); err == nil || !strings.Contains(err.Error(), "accepted:") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := (GainLinearity{}).Analyse(48000, nil); err == nil {
		t.Error("a series without steps is analysed")
	}
}
