package proof

import (
	"context"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Stages that depend on neither level nor frequency.

// reach is the number of channels that show which ones a stage works on: one, or those
// up to the last of its list and one more.
func reach(channels []int) int {
	if len(channels) == 0 {
		return 1
	}
	return min(slices.Max(channels)+1, dsp.MaxChannels)
}

// worksOn reports whether a list of channels counted from 1 has one counted from 0;
// an empty list means all.
func worksOn(channels []int, c int) bool {
	return len(channels) == 0 || slices.Contains(channels, c+1)
}

func gain(s dsp.GainSettings, rate int) []experiment {
	channels := reach(s.Channels)
	x := experiment{Condition: sweepCondition, Run: with(instrument.SweepResponse{Sweep: sweep(rate, channels)})}
	for c := range channels {
		want := 0.0
		if worksOn(s.Channels, c) {
			want = s.GainDB
		}
		const why = "ten times the sweep's own error"
		x.Claims = append(x.Claims,
			within(onChannel("gain_at_1khz_db", c, channels), want, sweepBoundDB, why),
			within(onChannel("response_max_db", c, channels), 0, sweepBoundDB, why),
			within(onChannel("response_min_db", c, channels), 0, sweepBoundDB, why))
	}
	return []experiment{x}
}

func polarity(s dsp.PolaritySettings, _ int) []experiment {
	channels := reach(s.Channels)
	x := impulse(channels, 0)
	for c := range channels {
		want := 1.0
		if worksOn(s.Channels, c) {
			want = -1
		}
		x.Claims = append(x.Claims, exactly(onChannel("polarity", c, channels), want, "a sign has no tolerance"))
	}
	return []experiment{x}
}

// latency claims when the response to an impulse begins, in frames for each channel.
func latency(frames ...int) experiment {
	x := impulse(len(frames), slices.Max(frames))
	for c, n := range frames {
		x.Claims = append(x.Claims, exactly(onChannel("latency_frames", c, len(frames)), float64(n), "frames are counted: none may be off"))
	}
	return x
}

// impulse is an experiment with a lone sample, and room for a delay behind it.
func impulse(channels, delay int) experiment {
	return experiment{Condition: "one sample of -20 dBFS in silence", Run: func(ctx context.Context, d instrument.Device, rate int) (measure.Readings, error) {
		i := stimulus.StandardImpulse(stimulus.DefaultPeakDBFS)
		i.Channels = channels
		i.Seconds += math.Ceil(float64(delay) / float64(rate))
		return instrument.Run(ctx, d, instrument.Latency{Impulse: i}, rate)
	}}
}

// delayFrames is the delay in frames of each channel.
func delayFrames(s dsp.DelaySettings, rate, channels int) []int {
	frames := make([]int, channels)
	for c := range frames {
		if worksOn(s.Channels, c) {
			frames[c] = int(math.Round(s.DelayMs * float64(rate) / 1000))
		}
	}
	return frames
}
