package instrument

import (
	"context"
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Instrument measures with a stimulus of its own. Its fields are the settings.
type Instrument interface {
	// Stimulus is what has to be put through the device.
	Stimulus() stimulus.Signal
	// Analyse takes the device's response to it: the stimulus's rate in Hz and
	// channels x frames, aligned with the stimulus to within the time that the
	// instrument lets a device settle. An error says that the response cannot
	// be one to this stimulus; what cannot be measured in it has its Reason.
	Analyse(rate int, response dsp.Block) (measure.Readings, error)
}

// Run puts an instrument's stimulus through a device and analyses what comes
// out.
func Run(ctx context.Context, d Device, i Instrument, rate int) (measure.Readings, error) {
	sound, err := i.Stimulus().Make(rate)
	if err != nil {
		return nil, err
	}
	response, err := Respond(ctx, d, rate, sound)
	if err != nil {
		return nil, err
	}
	return i.Analyse(rate, response)
}

// eachChannel analyses the frames from one to another of each channel; with more
// than one channel, names end in _chN.
func eachChannel(response dsp.Block, from, to int, analyse func(x []float64) measure.Readings) (measure.Readings, error) {
	if len(response) == 0 {
		return nil, fmt.Errorf("the response has no channel")
	}
	if response.Frames() < to {
		return nil, fmt.Errorf("the response has %d frames; %d are needed", response.Frames(), to)
	}
	if from >= to {
		return nil, fmt.Errorf("the stimulus is too short: it has ended before the device is taken to have settled")
	}
	var all measure.Readings
	for c, plane := range response {
		all = append(all, ofChannel(analyse(plane[from:to]), c, len(response))...)
	}
	return all.Finite(), nil
}

// ofChannel names readings after their channel where there is more than one.
func ofChannel(r measure.Readings, channel, channels int) measure.Readings {
	if channels > 1 {
		for i := range r {
			r[i].Name, r[i].Channel = fmt.Sprintf("%s_ch%d", r[i].Name, channel+1), channel
		}
	}
	return r
}

// toneFrames is the part of a tone that is measured: settled, and not yet fading.
func toneFrames(rate int, seconds float64, settleMs int) (from, to int) {
	if settleMs == 0 {
		settleMs = 1000
	}
	return rate * settleMs / 1000, int(math.Round(seconds*float64(rate))) - rate*stimulus.FadeMs/1000
}
