package instrument

import (
	"fmt"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/internal/weighting"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// DynamicRange measures by AES17-2015 6.4.1: the noise during a tone of −60 dBFS, which keeps
// the device from muting. An expander, gate or compressor has to be off.
type DynamicRange struct {
	MaximumOutputDBFS float64 // reference for the noise: 0, which is digital full scale, or what MaximumLevel found
	Seconds           float64 // 0 means 10
	Channels          int     // 0 means one
	SettleMs          int     // as in HarmonicDistortion; 0 means 1000
}

// Stimulus is the tone of 997 Hz at −60 dBFS.
func (d DynamicRange) Stimulus() stimulus.Signal { return d.tone() }

func (d DynamicRange) tone() stimulus.Tone {
	t := stimulus.Tone{Hz: stimulus.StandardHz, PeakDBFS: -60, Seconds: d.Seconds, Channels: d.Channels}
	if t.Seconds == 0 {
		t.Seconds = 10
	}
	return t
}

// Analyse reads dynamic_range_ccir_rms_db, which is AES17's own, and the same noise with other
// weightings: dynamic_range_db and dynamic_range_a_db.
func (d DynamicRange) Analyse(rate int, response Response) (measure.Readings, error) {
	from, to := toneFrames(rate, d.tone().Seconds, d.SettleMs)
	return eachChannel(response, from, to, func(x []float64) measure.Readings {
		var r measure.Readings
		t, reason := takeApart(x, rate, stimulus.StandardHz)
		var spectrum *spectra.Power
		if reason == "" {
			addTone(&r, "tone", t, 0)
			spectrum = spectra.Of(t.rest, rate)
		}
		for _, w := range []struct {
			name, weighting, definition string
			weight                      func(float64) float64
		}{
			{"dynamic_range_ccir_rms_db", "CCIR-RMS", "AES17-2015 6.4.1", weighting.CCIRRMS},
			{"dynamic_range_db", "none", "AES17-2015 6.4.1, but for the weighting", func(float64) float64 { return 1 }},
			{"dynamic_range_a_db", "A", "AES17-2015 6.4.1, but for the weighting", weighting.A},
		} {
			about := measure.Reading{
				Unit: "dB", Reason: reason, Reference: fmt.Sprintf("an output of %g dBFS", d.MaximumOutputDBFS),
				Weighting: w.weighting, Bandwidth: bandText, Definition: w.definition + ": after the standard notch", Bound: gainVoids,
			}
			inverse := 0.0
			if reason == "" {
				weight := weighted(weighting.AudioBand, notch(t.hz[0]), w.weight)
				noise := 2 * spectrum.Level(weight)
				about.AddBound(finiteNoise(spectrum, weight))
				if noise < roundingOfTones*roundingOfTones*t.peak(0)*t.peak(0) {
					about.Reason = "there is no noise but the rounding of 64-bit arithmetic, 280 dB below the tone"
				} else {
					inverse = dsp.DBToPower(d.MaximumOutputDBFS) / noise
				}
			}
			r.AddLevel(w.name, inverse, about)
		}
		return r
	})
}
