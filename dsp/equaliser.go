package dsp

import "fmt"

// BandShape is the shape of an equaliser band.
type BandShape int

// The band shapes. A chain file spells them bell, low-shelf, high-shelf and
// notch.
const (
	Bell BandShape = iota
	LowShelf
	HighShelf
	Notch
)

// Band is one band of an equaliser.
type Band struct {
	Shape    BandShape
	CentreHz float64 // for a shelf, where it reaches half its gain in dB
	GainDB   float64 // unused by a notch
	Q        float64
	Optional bool // omitted instead of refused where the centre is not below the Nyquist frequency
}

// PowerGain is the squared magnitude of the band's analogue prototype (W3C Audio EQ Cookbook) at
// a frequency in Hz. The Matched design follows it; no section is designed for it.
func (b Band) PowerGain(hz float64) float64 { return newPrototype(b).gain(hz) }

// FilterDesign selects how an analogue prototype becomes a digital section.
type FilterDesign int

const (
	// Matched fits the section's magnitude to the analogue prototype's.
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

// At returns the settings without the optional bands that a rate in Hz cannot
// hold.
func (s EqualiserSettings) At(rate int) EqualiserSettings {
	held := EqualiserSettings{Design: s.Design}
	for _, b := range s.Bands {
		if !b.Optional || b.CentreHz < float64(rate)/2 {
			held.Bands = append(held.Bands, b)
		}
	}
	return held
}

// Equaliser is a parametric equaliser. Latency is 0 frames; Response gives its
// complex gain.
type Equaliser struct {
	*Cascade
	deviations []float64 // of the bands that are in use
}

// NewEqualiser builds the equaliser for a rate in Hz and a number of channels.
// Errors are *SettingError.
func NewEqualiser(s EqualiserSettings, rate, channels int) (*Equaliser, error) {
	if err := checkFormat(rate, channels); err != nil {
		return nil, err
	}
	if err := checkRange("design", float64(s.Design), float64(Matched), float64(Cookbook), ""); err != nil {
		return nil, err
	}
	e := &Equaliser{}
	var sections []Biquad
	for i, b := range s.Bands {
		if b.Optional && b.CentreHz >= float64(rate)/2 {
			continue
		}
		if err := b.check(rate); err != nil {
			err.Setting = fmt.Sprintf("band %d: %s", i+1, err.Setting)
			return nil, err
		}
		if b.Shape != Notch && b.GainDB == 0 {
			e.deviations = append(e.deviations, 0)
			continue
		}
		band := []Biquad{cookbookSection(b, float64(rate))}
		var deviation float64
		if s.Design == Matched {
			band, deviation = matched(b, float64(rate))
		} else {
			deviation = newPrototype(b).deviation(band, float64(rate))
		}
		sections = append(sections, band...)
		e.deviations = append(e.deviations, deviation)
	}
	e.Cascade = NewCascade(sections, channels)
	return e, nil
}

func (b Band) check(rate int) *SettingError {
	for _, err := range []error{
		checkFrequency("centre_hz", b.CentreHz, rate),
		checkRange("gain_db", b.GainDB, -40, 40, "dB"),
		checkRange("q", b.Q, 0.05, 100, ""),
		checkRange("shape", float64(b.Shape), float64(Bell), float64(Notch), ""),
	} {
		if err != nil {
			return err.(*SettingError)
		}
	}
	return nil
}

func cookbookSection(b Band, rate float64) Biquad {
	switch b.Shape {
	case Bell:
		return CookbookBell(b.CentreHz, b.GainDB, b.Q, rate)
	case LowShelf:
		return CookbookLowShelf(b.CentreHz, b.GainDB, b.Q, rate)
	case HighShelf:
		return CookbookHighShelf(b.CentreHz, b.GainDB, b.Q, rate)
	default:
		return CookbookNotch(b.CentreHz, b.Q, rate)
	}
}

// Latency is 0 frames.
func (*Equaliser) Latency() int { return 0 }

// DeviationDB is the largest difference in dB between a band's magnitude and
// its analogue prototype's, from 20 Hz to 20 kHz (or to 0.49 of the rate), over
// all bands. Close to a notch it is taken down to −40 dB.
func (e *Equaliser) DeviationDB() float64 {
	worst := 0.0
	for _, d := range e.deviations {
		worst = max(worst, d)
	}
	return worst
}

// BandDeviationsDB is that difference for each band in use.
func (e *Equaliser) BandDeviationsDB() []float64 { return e.deviations }
