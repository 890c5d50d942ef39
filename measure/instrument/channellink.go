package instrument

import (
	"fmt"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// ChannelLink measures whether a level-dependent stage gives a louder and a quieter channel the
// same gain.
type ChannelLink struct {
	Tones stimulus.LinkTones
}

// Stimulus is the tones.
func (l ChannelLink) Stimulus() stimulus.Signal { return l.Tones }

// Analyse reads channel_gain_difference_db: the gain of channel 1 minus that of channel 2.
func (l ChannelLink) Analyse(rate int, response Response) (measure.Readings, error) {
	if response.Channels() != 2 {
		return nil, fmt.Errorf("linked channels are two; found %d", response.Channels())
	}
	from, to := toneFrames(rate, l.Tones.Seconds, 0)
	if response.Frames() < to {
		return nil, fmt.Errorf("the response has %d frames; %d are needed", response.Frames(), to)
	}
	gains := [2]float64{-l.Tones.LeftDBFS, -l.Tones.RightDBFS}
	if err := eachPlane(response, func(c int, plane []float64) error {
		gains[c] += toneLevel(plane[from:to], l.Tones.Hz, rate)
		return nil
	}); err != nil {
		return nil, err
	}
	left, right := gains[0], gains[1]
	about := measure.Reading{Value: left - right, Unit: "dB", Reference: "the gain of channel 2", Definition: "gain of channel 1 less that; 0 for linked channels"}
	if d := left - right; d-d != 0 {
		about.Reason = "the output of a channel is 0"
	}
	var r measure.Readings
	r.Add("channel_gain_difference_db", about)
	return r, nil
}
