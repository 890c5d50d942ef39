package measure

import (
	"github.com/boothbench/boothbench/dsp/wave"
)

// Programme is what the loudness and the peak meters read of a whole sound, in
// one pass.
func Programme(src wave.Source, mono MonoPolicy) (Readings, error) {
	f := src.Format()
	loudness, err := NewLoudness(LoudnessSettings{Rate: f.Rate, Channels: f.Channels, ChannelMask: f.ChannelMask, Mono: mono})
	if err != nil {
		return nil, err
	}
	peaks, err := NewTruePeak(f.Rate, f.Channels)
	if err != nil {
		return nil, err
	}
	if err := EachBlock(src, loudness.Write, peaks.Write); err != nil {
		return nil, err
	}
	readings := append(loudness.Readings(), peaks.Readings()...)
	return append(readings, PeakToLoudness(readings)), nil
}
