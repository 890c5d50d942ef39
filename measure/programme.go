package measure

import (
	"context"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// ProgrammeMeter is the loudness and the peak meters of one sound together.
type ProgrammeMeter struct {
	Loudness *Loudness
	Peaks    *TruePeak
}

// NewProgrammeMeter makes the meters for a format.
func NewProgrammeMeter(f wave.Format, mono MonoPolicy) (*ProgrammeMeter, error) {
	loudness, err := NewLoudness(LoudnessSettings{Rate: f.Rate, Channels: f.Channels, ChannelMask: f.ChannelMask, Mono: mono})
	if err != nil {
		return nil, err
	}
	peaks, err := NewTruePeak(f.Rate, f.Channels)
	if err != nil {
		return nil, err
	}
	return &ProgrammeMeter{loudness, peaks}, nil
}

// Write takes the next block.
func (m *ProgrammeMeter) Write(b dsp.Block) {
	m.Loudness.Write(b)
	m.Peaks.Write(b)
}

// Readings are those of the loudness and of the peaks, and peak_to_loudness_lu.
func (m *ProgrammeMeter) Readings() Readings {
	readings := append(m.Loudness.Readings(), m.Peaks.Readings()...)
	return append(readings, PeakToLoudness(readings))
}

// Programme is what the loudness and the peak meters read of a whole sound, in
// one pass. It ends early, with the context's error, when the context ends.
func Programme(ctx context.Context, src wave.Source, mono MonoPolicy) (Readings, error) {
	m, err := NewProgrammeMeter(src.Format(), mono)
	if err != nil {
		return nil, err
	}
	if err := EachBlock(ctx, src, m.Loudness.Write, m.Peaks.Write); err != nil {
		return nil, err
	}
	return m.Readings(), nil
}
