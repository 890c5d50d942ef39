package measure

import (
	"context"

	"github.com/boothbench/boothbench/dsp/wave"
)

// Programme is what the loudness and the peak meters read of a whole sound, in
// one pass. It ends early, with the context's error, when the context ends.
func Programme(ctx context.Context, src wave.Source, mono MonoPolicy) (Readings, error) {
	f := src.Format()
	loudness, err := NewLoudness(LoudnessSettings{Rate: f.Rate, Channels: f.Channels, ChannelMask: f.ChannelMask, Mono: mono})
	if err != nil {
		return nil, err
	}
	peaks, err := NewTruePeak(f.Rate, f.Channels)
	if err != nil {
		return nil, err
	}
	if err := EachBlock(ctx, src, loudness.Write, peaks.Write); err != nil {
		return nil, err
	}
	readings := append(loudness.Readings(), peaks.Readings()...)
	return append(readings, PeakToLoudness(readings)), nil
}
