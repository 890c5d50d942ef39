package stimulus

import "github.com/boothbench/boothbench/dsp"

// Silence is digital zero, for idle noise.
type Silence struct {
	Seconds  float64
	Channels int // 0 stands for one
}

// Kind is "silence".
func (s Silence) Kind() string { return "silence" }

// Make returns the zeros at a rate in Hz.
func (s Silence) Make(rate int) (dsp.Block, error) {
	if err := firstError(checkFormat(rate, s.Channels), checkSeconds(s.Seconds)); err != nil {
		return nil, err
	}
	return dsp.NewBlock(max(1, s.Channels), frames(s.Seconds, rate)), nil
}
