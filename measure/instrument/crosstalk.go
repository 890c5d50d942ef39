package instrument

import (
	"fmt"
	"math/cmplx"
	"regexp"
	"strconv"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Crosstalk measures how much of one channel's tone is in the others
// (AES17-2015 6.5.2).
type Crosstalk struct {
	Tone     stimulus.Tone // its Only is the driven channel, from 1; the standard's level is −20 dBFS
	SettleMs int           // as in HarmonicDistortion; 0 means 1000
}

// Stimulus is the tone in one channel.
func (c Crosstalk) Stimulus() stimulus.Signal { return c.Tone }

var crosstalkName = regexp.MustCompile(`^crosstalk_[0-9]+to([0-9]+)_db$`)

// CrosstalkChannel is the channel, from 1, in which a crosstalk reading measures another channel's
// tone; false for other readings.
func CrosstalkChannel(reading string) (channel int, is bool) {
	m := crosstalkName.FindStringSubmatch(reading)
	if m == nil {
		return 0, false
	}
	channel, err := strconv.Atoi(m[1])
	return channel, err == nil
}

// Analyse reads crosstalk_NtoM_db for each other channel; N is the driven one. A channel that
// is exactly 0 may be dead, so it has no value.
func (c Crosstalk) Analyse(rate int, response Response) (measure.Readings, error) {
	driven := c.Tone.Only
	if driven < 1 || response.Channels() < 2 || driven > response.Channels() {
		return nil, fmt.Errorf("crosstalk needs two channels or more and one of them driven; found %s, channel %d driven", dsp.Plural(response.Channels(), "channel"), driven)
	}
	return againstChannel(rate, response, c.Tone, driven, c.SettleMs, false, func(other int) (string, measure.Reading) {
		return fmt.Sprintf("crosstalk_%dto%d_db", driven, other), measure.Reading{Unit: "dB", Reference: fmt.Sprintf("channel %d, driven", driven), Weighting: "none", Definition: "AES17-2015 6.5.2, at the tone's frequency only"}
	})
}

// ChannelBalance measures the level differences of channels that carry the same tone.
type ChannelBalance struct {
	Tone     stimulus.Tone // in two channels or more
	SettleMs int           // as in HarmonicDistortion; 0 means 1000
}

// Stimulus is the tone in all channels.
func (c ChannelBalance) Stimulus() stimulus.Signal { return c.Tone }

// Analyse reads channel_balance_1toN_db for each channel from the second.
func (c ChannelBalance) Analyse(rate int, response Response) (measure.Readings, error) {
	if response.Channels() < 2 {
		return nil, fmt.Errorf("balance needs two channels or more; found %d", response.Channels())
	}
	return againstChannel(rate, response, c.Tone, 1, c.SettleMs, true, func(other int) (string, measure.Reading) {
		return fmt.Sprintf("channel_balance_1to%d_db", other), measure.Reading{Unit: "dB", Reference: "channel 1", Weighting: "none", Definition: "level at the tone's frequency over that of channel 1"}
	})
}

// againstChannel reads the tone's level in every other channel relative to one, counted from 1.
// With alike, all channels carry the tone and none may be silent.
func againstChannel(rate int, response Response, tone stimulus.Tone, reference, settleMs int, alike bool, named func(other int) (string, measure.Reading)) (measure.Readings, error) {
	from, to := toneFrames(rate, tone.Seconds, settleMs)
	if err := holds(response, from, to); err != nil {
		return nil, err
	}
	plane, err := response.Plane(reference - 1)
	if err != nil {
		return nil, err
	}
	found, reason := takeApart(plane[from:to], rate, tone.Hz)
	var r measure.Readings
	err = eachPlane(response, func(c int, plane []float64) error {
		if c+1 == reference {
			return nil
		}
		name, about := named(c + 1)
		about.Reason = reason
		ratio := 0.0
		if x := plane[from:to]; reason == "" && planes.FirstNonFinite(dsp.Block{x}) >= 0 {
			about.Reason = fmt.Sprintf("NaN or infinite samples in channel %d", c+1)
		} else if reason == "" {
			other := &steadyTones{lines: spectra.NewLines(x, rate), rate: rate}
			var peak float64
			peak, about.Bound = other.most(found.hz[0])
			ratio = peak / cmplx.Abs(found.sines[0])
			switch {
			case ratio != 0:
			case alike:
				about.Reason = fmt.Sprintf("channel %d is silent", c+1)
			default:
				about.Reason = ExactlyZero
			}
		}
		r.AddLevel(name, ratio*ratio, about)
		return nil
	})
	return r, err
}
