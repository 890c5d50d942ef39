package dsp

import "fmt"

// GainSettings describes a fixed gain.
type GainSettings struct {
	GainDB   float64
	Channels []int // channels, counted from 1; empty: all
}

// PolaritySettings describes an inversion of polarity.
type PolaritySettings struct {
	Channels []int // channels, counted from 1; empty: all
}

// chosen turns a list of channels counted from 1 into a mask; an empty list
// means all of them.
func chosen(list []int, channels int) ([]bool, error) {
	mask := make([]bool, channels)
	for c := range mask {
		mask[c] = len(list) == 0
	}
	for _, c := range list {
		if c < 1 || c > channels {
			return nil, &SettingError{"channels", fmt.Sprint(c), fmt.Sprintf("1 to %d, the sound's channels", channels)}
		}
		mask[c-1] = true
	}
	return mask, nil
}

type scaler struct {
	factor float64
	mask   []bool
}

// NewGain builds a fixed gain for a rate in Hz and a number of channels. Errors
// are *SettingError.
func NewGain(s GainSettings, rate, channels int) (Processor, error) {
	if err := checkRange("gain_db", s.GainDB, -200, 200, "dB"); err != nil {
		return nil, err
	}
	return newScaler(DBToAmplitude(s.GainDB), s.Channels, rate, channels)
}

// NewPolarity builds an inversion of polarity for a rate in Hz and a number of
// channels. Errors are *SettingError.
func NewPolarity(s PolaritySettings, rate, channels int) (Processor, error) {
	return newScaler(-1, s.Channels, rate, channels)
}

func newScaler(factor float64, list []int, rate, channels int) (*scaler, error) {
	if err := checkFormat(rate, channels); err != nil {
		return nil, err
	}
	mask, err := chosen(list, channels)
	if err != nil {
		return nil, err
	}
	return &scaler{factor, mask}, nil
}

func (s *scaler) Process(b Block) {
	mustFit(b, len(s.mask))
	for c, plane := range b {
		if s.mask[c] && s.factor != 1 {
			for n := range plane {
				plane[n] *= s.factor
			}
		}
	}
}

func (s *scaler) Latency() int { return 0 }
func (s *scaler) Reset()       {}
