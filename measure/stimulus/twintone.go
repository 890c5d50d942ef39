package stimulus

import (
	"fmt"

	"github.com/boothbench/boothbench/dsp"
)

// TwinTone is two sines together, for intermodulation.
type TwinTone struct {
	LowHz, HighHz float64
	Ratio         float64 // amplitude of the lower over that of the higher
	PeakDBFS      float64 // of the wave of both together; the samples may not reach it
	Seconds       float64 // fades included
	Channels      int     // 0 means one
}

// ModulationTonesSMPTE are the tones of SMPTE RP 120, which IEC 60268-3 (14.12.7) adopts: 60 Hz
// and 7 kHz, 4:1.
func ModulationTonesSMPTE(peakDBFS float64) TwinTone {
	return TwinTone{LowHz: 60, HighHz: 7000, Ratio: 4, PeakDBFS: peakDBFS, Seconds: 5}
}

// ModulationTonesAES17 are the tones of AES17-2015 6.3.6: 41 Hz and 7993 Hz, 4:1.
func ModulationTonesAES17(peakDBFS float64) TwinTone {
	return TwinTone{LowHz: 41, HighHz: 7993, Ratio: 4, PeakDBFS: peakDBFS, Seconds: 5}
}

// DifferenceTonesAES17 are the tones of AES17-2015 6.3.5: 18 kHz and 20 kHz, 1:1.
func DifferenceTonesAES17(peakDBFS float64) TwinTone {
	return TwinTone{LowHz: 18000, HighHz: 20000, Ratio: 1, PeakDBFS: peakDBFS, Seconds: 5}
}

// DifferenceTonesIEC are a common pair for IEC 60268-3 (14.12.8): 19 kHz and 20 kHz, 1:1.
func DifferenceTonesIEC(peakDBFS float64) TwinTone {
	return TwinTone{LowHz: 19000, HighHz: 20000, Ratio: 1, PeakDBFS: peakDBFS, Seconds: 5}
}

// Kind is "twin-tone".
func (t TwinTone) Kind() string { return "twin-tone" }

// Amplitudes are the peaks of the two tones, full scale 1.
func (t TwinTone) Amplitudes() (low, high float64) {
	high = dsp.DBToAmplitude(t.PeakDBFS) / (t.Ratio + 1)
	return float64(t.Ratio * high), high
}

// Make returns the tones at a rate in Hz.
func (t TwinTone) Make(rate int) (dsp.Block, error) {
	if err := t.check(rate); err != nil {
		return nil, err
	}
	plane := make([]float64, frames(t.Seconds, rate))
	low, high := t.Amplitudes()
	addSine(plane, t.LowHz, low, rate)
	addSine(plane, t.HighHz, high, rate)
	fade(plane, rate)
	return spread(plane, t.Channels, 0), nil
}

func (t TwinTone) check(rate int) error {
	if !(t.LowHz < t.HighHz) {
		return &dsp.SettingError{Setting: "low_hz", Found: fmt.Sprintf("%g Hz", t.LowHz), Accepted: fmt.Sprintf("less than high_hz, %g Hz", t.HighHz)}
	}
	return firstError(checkFormat(rate, t.Channels), checkHz("low_hz", t.LowHz, rate), checkHz("high_hz", t.HighHz, rate),
		checkRange("ratio", t.Ratio, 0.01, 100, "to 1"), checkPeak("peak_dbfs", t.PeakDBFS), checkSeconds("seconds", t.Seconds))
}
