package instrument

import (
	"fmt"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/internal/weighting"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// IdleNoise measures a device's output while its input is digital zero. An expander, gate or
// compressor has to be off: otherwise the reading shows its gain, not the noise.
type IdleNoise struct {
	Seconds  float64 // 0 means 10
	Channels int     // 0 means one
	SettleMs int     // left out at the start; 0 means 1000
}

// Stimulus is silence.
func (i IdleNoise) Stimulus() stimulus.Signal {
	return stimulus.Silence{Seconds: i.seconds(), Channels: i.Channels}
}

func (i IdleNoise) seconds() float64 {
	if i.Seconds == 0 {
		return 10
	}
	return i.Seconds
}

const (
	mathematicalScale = "mathematical rms against digital full scale (a full-scale sine is -3.01)"
	aes17Scale        = "AES17-2015 3.12: rms against that of a full-scale sine, which is 0"
	gainVoids         = "void if a stage changes its gain with the level (expander, gate, compressor): switch it off"
)

// Analyse reads idle_noise_rms_dbfs (mathematical) and, relative to a full-scale sine,
// idle_noise_dbfs, idle_noise_a_dbfs, idle_noise_ccir_rms_dbfs and idle_noise_quasi_peak_dbfs.
func (i IdleNoise) Analyse(rate int, response Response) (measure.Readings, error) {
	from, to := idleFrames(rate, i.seconds(), i.SettleMs)
	return eachChannel(response, from, to, func(x []float64) measure.Readings {
		var r measure.Readings
		reason := noNoise(x)
		var spectrum *spectra.Power
		if reason == "" {
			spectrum = spectra.OfWhole(x, rate)
		}
		level := func(name, scale, curve, definition string, factor float64, weight func(float64) float64) {
			power := 0.0
			about := measure.Reading{Unit: "dBFS", Reason: reason, Reference: scale, Weighting: curve, Bandwidth: bandText, Definition: definition, Bound: gainVoids}
			if reason == "" {
				power = factor * spectrum.Level(weighted(weighting.AudioBand, weight))
				about.AddBound(finiteNoise(spectrum, weighted(weighting.AudioBand, weight)))
			}
			r.AddLevel(name, power, about)
		}
		flat := func(float64) float64 { return 1 }
		level("idle_noise_rms_dbfs", mathematicalScale, "none", "mean square of the samples in the band", 1, flat)
		level("idle_noise_dbfs", aes17Scale, "none", "mean square of the samples in the band", 2, flat)
		level("idle_noise_a_dbfs", aes17Scale, "A", "IEC 61672-1:2013", 2, weighting.A)
		level("idle_noise_ccir_rms_dbfs", aes17Scale, "CCIR-RMS", "AES17-2015 6.4.2", 2, weighting.CCIRRMS)
		reading := 0.0
		if reason == "" {
			reading = quasiPeak(x, rate, min(rate, len(x)/2))
		}
		r.AddLevel("idle_noise_quasi_peak_dbfs", 2*reading*reading, measure.Reading{
			Unit: "dBFS", Reason: reason, Reference: "a steady full-scale sine of 1 kHz reads 0", Weighting: "BS.468, quasi-peak",
			Definition: "Rec. ITU-R BS.468-4, largest reading after the first second", Bound: gainVoids,
		})
		return r
	})
}

// finiteNoise is the uncertainty of a level of noise that was measured for a finite time: two
// standard deviations.
func finiteNoise(spectrum *spectra.Power, weight func(float64) float64) string {
	return fmt.Sprintf("±%.2g dB, two standard deviations of the level of such noise over a finite time", dsp.PowerToDB(1+2*spectrum.Deviation(weight)))
}

// idleFrames is the part of a silence that is measured.
func idleFrames(rate int, seconds float64, settleMs int) (from, to int) {
	if settleMs == 0 {
		settleMs = 1000
	}
	return rate * settleMs / 1000, int(math.Round(seconds * float64(rate)))
}

// ExactlyZero is the reason why an output of exactly 0 has no reading of noise.
const ExactlyZero = "the output is exactly 0: nothing is there to be measured, or it is muted or gated"

// noNoise is the reason why a sound has no noise to measure, "" if it has.
func noNoise(x []float64) string {
	if planes.FirstNonFinite(dsp.Block{x}) >= 0 {
		return "NaN or infinite samples"
	}
	if !slices.ContainsFunc(x, func(v float64) bool { return v != 0 }) {
		return ExactlyZero
	}
	return ""
}
