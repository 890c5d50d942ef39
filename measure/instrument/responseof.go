package instrument

import (
	"fmt"
	"slices"

	"github.com/boothbench/boothbench/measure"
)

// Response is a device's response, channel by channel: sound in memory (a [dsp.Block]) or in a
// file (a [wave.Stored]). All channels have the same number of frames.
type Response interface {
	Channels() int
	Frames() int
	// Plane is one channel's samples, full scale 1.0; channels count from 0. The samples must
	// not be changed. An error means that they could not be read.
	Plane(channel int) ([]float64, error)
}

// eachPlane calls a function with every channel of a response, one after the other, so that
// only one has to be in memory. Errors name the channel.
func eachPlane(response Response, read func(channel int, plane []float64) error) error {
	if response == nil || response.Channels() == 0 {
		return fmt.Errorf("the response has no channel")
	}
	for c := range response.Channels() {
		plane, err := response.Plane(c)
		if err != nil {
			return err
		}
		if err := read(c, plane); err != nil {
			return fmt.Errorf("channel %d: %w", c+1, err)
		}
	}
	return nil
}

// Sounding lists the channels, from 1, of a response that hold a sample other than exactly 0.
func Sounding(response Response) (channels []int, err error) {
	err = eachPlane(response, func(c int, plane []float64) error {
		if slices.ContainsFunc(plane, func(v float64) bool { return v != 0 }) {
			channels = append(channels, c+1)
		}
		return nil
	})
	return channels, err
}

// eachReadings collects the readings of every channel; with more than one channel, names
// end in _chN.
func eachReadings(response Response, read func(plane []float64) (measure.Readings, error)) (measure.Readings, error) {
	var all measure.Readings
	err := eachPlane(response, func(c int, plane []float64) error {
		r, err := read(plane)
		all = append(all, ofChannel(r, c, response.Channels())...)
		return err
	})
	if err != nil {
		return nil, err
	}
	return all, nil
}

// beginning is the first frames of a response.
type beginning struct {
	Response
	frames int
}

// Frames is the number of frames.
func (b beginning) Frames() int { return min(b.frames, b.Response.Frames()) }

// Plane is one channel's first samples.
func (b beginning) Plane(channel int) ([]float64, error) {
	plane, err := b.Response.Plane(channel)
	return plane[:min(len(plane), b.frames)], err
}
