package dsp

import "fmt"

// HighPassSettings describes a Butterworth high-pass.
type HighPassSettings struct {
	CornerHz         float64 // the −3.01 dB frequency
	SlopeDBPerOctave int     // 6, 12, … 48: 6 dB an octave for each order
}

// HighPass is a Butterworth high-pass by the bilinear transform. Latency is 0
// frames; Response gives its complex gain.
type HighPass struct{ *Cascade }

// NewHighPass builds the filter for a rate in Hz and a number of channels.
// Errors are *SettingError.
func NewHighPass(s HighPassSettings, rate, channels int) (*HighPass, error) {
	err := first(checkFormat(rate, channels), checkFrequency("corner_hz", s.CornerHz, rate))
	if err != nil {
		return nil, err
	}
	if s.SlopeDBPerOctave%6 != 0 || s.SlopeDBPerOctave < 6 || s.SlopeDBPerOctave > 48 {
		return nil, &SettingError{"slope_db_per_octave", fmt.Sprintf("%d dB/oct", s.SlopeDBPerOctave), "6, 12, 18, 24, 30, 36, 42 or 48 dB/oct"}
	}
	return &HighPass{NewCascade(ButterworthHighPass(s.SlopeDBPerOctave/6, s.CornerHz, float64(rate)), channels)}, nil
}

// Latency is 0 frames.
func (*HighPass) Latency() int { return 0 }
