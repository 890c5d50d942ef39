package dsp

import "errors"

// HighPassSettings describes a Butterworth high-pass.
type HighPassSettings struct {
	CornerHz         float64 // the −3.01 dB frequency
	SlopeDBPerOctave int     // 6, 12, … 48: 6 dB an octave for each order
}

// NewHighPass builds the filter.
func NewHighPass(s HighPassSettings, rate, channels int) (Processor, error) {
	return nil, errors.New("high-pass: not built yet")
}
