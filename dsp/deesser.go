package dsp

import "errors"

// DeEsserSettings describes a dynamic bell keyed by the sibilant band.
type DeEsserSettings struct {
	CentreHz      float64 // centre of the bell that is lowered
	Q             float64 // width of that bell
	KeyLowHz      float64 // the key band that is listened to: from …
	KeyHighHz     float64 // … to
	ThresholdDBFS float64 // key level at which reduction starts, when not relative
	Relative      bool    // compare the key with the whole signal instead
	RelativeDB    float64 // key minus whole level at which reduction starts, when relative
	Ratio         float64
	RangeDB       float64 // largest reduction at the centre
	AttackMs      float64
	ReleaseMs     float64
	LinkChannels  bool
}

// NewDeEsser builds the de-esser.
func NewDeEsser(s DeEsserSettings, rate, channels int) (GainTracer, error) {
	return nil, errors.New("de-esser: not built yet")
}
