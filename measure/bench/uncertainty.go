package bench

import (
	"fmt"
	"math"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// noiseBandHz is the statistical bandwidth in Hz of white noise behind the network of BS.468.
// (∫W)²/∫W² of its power gain W is between 5 and 10 kHz, and the lower end is used.
const noiseBandHz = 5000

// settledSeconds is the time that an instrument leaves out at the start of a tone or of
// silence.
const settledSeconds = 1

// withNoiseBounds adds the uncertainty that the recording's noise causes, two standard
// deviations, where the instrument states none. It does so for harmonics and crosstalk, whose
// spectral lines contain noise too, and for the largest reading of a quasi-peak meter.
func withNoiseBounds(r, marks measure.Readings, s stimulus.Signal, rate int) measure.Readings {
	seconds := 0.0
	switch s := s.(type) {
	case stimulus.Tone:
		seconds = s.Seconds - settledSeconds
	case stimulus.Silence:
		seconds = s.Seconds - settledSeconds
	}
	if seconds <= 0 {
		return r
	}
	// The standard deviation of a mean square of noise is 1/√(B·T) times its mean.
	statistical := 2 * 10 / math.Ln10 / math.Sqrt(noiseBandHz*seconds)
	for i := range r {
		n := &r[i]
		base, suffix := n.Name, ""
		if at := strings.LastIndex(n.Name, "_ch"); at >= 0 {
			base, suffix = n.Name[:at], n.Name[at:]
		}
		switch {
		case !n.Measurable() || n.Unit == "%" || strings.Contains(n.Bound, "±") || strings.Contains(n.Bound, "upper bound"): // no value, or its instrument has stated a bound
		case strings.HasPrefix(base, "idle_noise_quasi_peak"):
			n.AddBound(fmt.Sprintf("±%.2g dB, the largest reading of a finite time", 10*statistical))
		case strings.HasPrefix(base, "harmonic") || strings.HasPrefix(base, "crosstalk") || base == "thd_fundamental_db" || base == "thd_total_db":
			noise, hasNoise := marks.Get("noise_dbfs" + suffix)
			if strings.HasPrefix(base, "crosstalk") {
				noise, hasNoise = loudest(marks, "noise_dbfs")
			}
			tone, hasTone := loudest(r, "tone_dbfs")
			if !hasNoise || !hasTone || !noise.Measurable() {
				continue
			}
			// A sine estimated from N frames of noise of rms σ is off by σ√(2/N): one standard
			// deviation of each of its two components.
			open := 2 * dsp.DBToAmplitude(noise.Value) * math.Sqrt(2/(seconds*float64(rate)))
			share := open / (dsp.DBToAmplitude(n.Value) * dsp.DBToAmplitude(tone.Value))
			n.AddBound(fmt.Sprintf("±%.2g dB by the recording's noise", dsp.AmplitudeToDB(1+share)))
		}
	}
	return r
}

// loudest returns the largest reading of a name over all channels.
func loudest(r measure.Readings, name string) (most measure.Reading, found bool) {
	for _, n := range r {
		if (n.Name == name || strings.HasPrefix(n.Name, name+"_ch")) && n.Measurable() && (!found || n.Value > most.Value) {
			most, found = n.Reading, true
		}
	}
	return most, found
}
