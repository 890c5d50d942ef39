package stimulus

import "github.com/boothbench/boothbench/dsp"

// Silence is digital zero, for idle noise.
type Silence struct {
	Seconds  float64
	Channels int // 0 means one
}

// Kind is "silence".
func (s Silence) Kind() string { return "silence" }

// Make returns the zeros at a rate in Hz.
func (s Silence) Make(rate int) (dsp.Block, error) {
	if err := firstError(checkFormat(rate, s.Channels), checkSeconds("seconds", s.Seconds)); err != nil {
		return nil, err
	}
	return spread(make([]float64, frames(s.Seconds, rate)), s.Channels, 0), nil
}

// ToneThenSilence is a tone and then digital zero. It shows what a device adds: ringing, and
// sounds that never end.
type ToneThenSilence struct {
	Tone           Tone
	SilenceSeconds float64
}

// Kind is "tone-then-silence".
func (s ToneThenSilence) Kind() string { return "tone-then-silence" }

// Make returns the tone and the zeros at a rate in Hz.
func (s ToneThenSilence) Make(rate int) (dsp.Block, error) {
	if err := checkSeconds("silence_seconds", s.SilenceSeconds); err != nil {
		return nil, err
	}
	if err := s.Tone.check(rate); err != nil {
		return nil, err
	}
	tone, silence := s.Tone.plane(rate), make([]float64, frames(s.SilenceSeconds, rate))
	return spread(append(tone, silence...), s.Tone.Channels, s.Tone.Only), nil
}
