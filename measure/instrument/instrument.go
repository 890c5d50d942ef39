package instrument

import (
	"context"
	"fmt"
	"math"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Instrument measures with a stimulus of its own. Its fields are its settings.
type Instrument interface {
	// Stimulus is the signal to put through the device.
	Stimulus() stimulus.Signal
	// Analyse takes the device's response, with the stimulus's rate in Hz and channels. It has
	// to be aligned with the stimulus, to within the time that the instrument lets a device
	// settle. An error means that it cannot be a response to this stimulus. A reading that
	// cannot be measured states its Reason.
	Analyse(rate int, response Response) (measure.Readings, error)
}

// Run puts an instrument's stimulus through a device and analyses the response.
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

// eachChannel analyses a range of frames in each channel. With more than one channel, names end
// in _chN.
func eachChannel(response Response, from, to int, analyse func(x []float64) measure.Readings) (measure.Readings, error) {
	if err := holds(response, from, to); err != nil {
		return nil, err
	}
	all, err := eachReadings(response, func(plane []float64) (measure.Readings, error) { return analyse(plane[from:to]), nil })
	return all.Finite(), err
}

// holds returns an error if a response does not have the frames from one to another.
func holds(response Response, from, to int) error {
	switch {
	case response == nil || response.Channels() == 0:
		return fmt.Errorf("the response has no channel")
	case response.Frames() < to:
		return fmt.Errorf("the response has %d frames; %d are needed", response.Frames(), to)
	case from >= to:
		return fmt.Errorf("the stimulus is too short: it has ended before the device is taken to have settled")
	}
	return nil
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

// toneFrames is the part of a tone that is measured: after settling and before the fade-out.
func toneFrames(rate int, seconds float64, settleMs int) (from, to int) {
	if settleMs == 0 {
		settleMs = 1000
	}
	return rate * settleMs / 1000, int(math.Round(seconds*float64(rate))) - rate*stimulus.FadeMs/1000
}
