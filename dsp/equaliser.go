package dsp

import "errors"

// BandShape is the shape of an equaliser band.
type BandShape int

// The band shapes, in chain-file spelling bell, low-shelf, high-shelf, notch.
const (
	Bell BandShape = iota
	LowShelf
	HighShelf
	Notch
)

// Band is one band of an equaliser.
type Band struct {
	Shape    BandShape
	CentreHz float64 // a shelf reaches half its gain in dB here
	GainDB   float64 // unused by a notch
	Q        float64
}

// FilterDesign is the way from the analogue prototype to a digital section.
type FilterDesign int

const (
	// Matched fits the section to the analogue prototype's magnitude.
	Matched FilterDesign = iota
	// Cookbook is the bilinear transform of the same prototype (W3C Audio EQ
	// Cookbook), which narrows towards the Nyquist frequency.
	Cookbook
)

// EqualiserSettings describes a parametric equaliser: bands in series.
type EqualiserSettings struct {
	Bands  []Band
	Design FilterDesign
}

// NewEqualiser builds the equaliser.
func NewEqualiser(s EqualiserSettings, rate, channels int) (Processor, error) {
	return nil, errors.New("equaliser: not built yet")
}
