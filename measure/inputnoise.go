package measure

import (
	"errors"
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/weighting"
)

// InputNoise is the input for an equivalent input noise. It has no defaults: a field that
// is nil or empty is an error that asks for it.
type InputNoise struct {
	Noise       *Level       // at the output, in the weighting and bandwidth below
	Calibration *Calibration // if the noise is in dBFS
	GainDB      *float64     // from the input to where the noise was measured
	SourceOhm   *float64     // what the input was terminated with: 150 ohm is usual for microphones (common practice, no source)
	BandwidthHz *float64     // of the measurement, from 0 Hz: 20000 for 20 Hz to 20 kHz
	Weighting   string       // "none", "A", "CCIR-RMS" or "BS.468" (its network with true rms)

	TemperatureC float64 // of the source; 20 is usual
}

// EquivalentInputNoise is a result of InputNoise.
type EquivalentInputNoise struct {
	Readings   Readings
	Impossible string // why the figure cannot be true; "" if it can
}

// inputWeightings are the power gains of the weightings, by name.
var inputWeightings = map[string]func(hz float64) float64{
	"none": func(float64) float64 { return 1 }, "A": weighting.A, "CCIR-RMS": weighting.CCIRRMS, "BS.468": weighting.BS468,
}

const (
	boltzmann   = 1.380649e-23 // J/K, exact (SI, 2019)
	zeroCelsius = 273.15       // K
)

// roundedDB is how far a figure may be below the thermal noise because it was rounded to
// one decimal.
const roundedDB = 0.05

// ThermalNoise is the rms voltage of a resistance's noise (Johnson and Nyquist,
// 1928: √(4kTRB)) in volts, from 0 Hz to a bandwidth, through a weighting: its power gain
// at a frequency. nil: none.
func ThermalNoise(ohm, celsius, bandwidthHz float64, weight func(hz float64) float64) float64 {
	if weight == nil {
		weight = inputWeightings["none"]
	}
	// The weightings are smooth: Simpson's rule over 4000 strips is exact to 1e-6.
	const strips = 4000
	sum := weight(1e-9) + weight(bandwidthHz)
	for i := 1; i < strips; i++ {
		sum += float64(2+2*(i%2)) * weight(bandwidthHz*float64(i)/strips)
	}
	return math.Sqrt(4 * boltzmann * (celsius + zeroCelsius) * ohm * sum * bandwidthHz / (3 * strips))
}

// Equivalent is the noise referred to the input: equivalent_input_noise_dbu and
// _dbv, thermal_noise_dbu of the source, and noise_figure_db over it.
func (n InputNoise) Equivalent() (EquivalentInputNoise, error) {
	if err := n.check(); err != nil {
		return EquivalentInputNoise{}, err
	}
	output, err := n.Noise.In(DBU, n.Calibration)
	if err != nil {
		return EquivalentInputNoise{}, err
	}
	ein := output.Value - *n.GainDB
	thermal := dsp.AmplitudeToDB(ThermalNoise(*n.SourceOhm, n.TemperatureC, *n.BandwidthHz, inputWeightings[n.Weighting])) + dbuAtOneVolt
	figure := ein - thermal
	source := fmt.Sprintf("%g ohm at %g °C", *n.SourceOhm, n.TemperatureC)
	var result EquivalentInputNoise
	if figure < -roundedDB {
		result.Impossible = fmt.Sprintf("impossible: %.1f dB below the thermal noise of %s, which is %.1f dBu in this weighting and bandwidth", -figure, source, thermal)
	}
	about := Reading{Weighting: n.Weighting, Bandwidth: fmt.Sprintf("%g Hz", *n.BandwidthHz)}
	if result.Impossible != "" {
		about.Bound = "impossible: less than the thermal noise"
	}
	add := func(name, unit, reference, definition string, value float64) {
		about.Unit, about.Reference, about.Definition, about.Value = unit, reference, definition, value
		result.Readings.Add(name, about)
	}
	definition := fmt.Sprintf("output noise of %v less a gain of %g dB, source %s", output, *n.GainDB, source)
	add("equivalent_input_noise_dbu", "dBu", "√0.6 V rms", definition, ein)
	add("equivalent_input_noise_dbv", "dBV", "1 V rms", definition, ein-dbuAtOneVolt)
	about.Bound = ""
	add("thermal_noise_dbu", "dBu", "√0.6 V rms", "√(4kTRB) of "+source, thermal)
	about.Reason = result.Impossible
	add("noise_figure_db", "dB", "thermal_noise_dbu", "equivalent input noise over the thermal noise of its source", figure)
	return result, nil
}

// check returns an error for every field that is missing or out of range.
func (n InputNoise) check() error {
	var errs []error
	need := func(setting string, missing bool, accepted string) bool {
		if missing {
			errs = append(errs, &dsp.SettingError{Setting: setting, Found: "nothing", Accepted: accepted})
		}
		return !missing
	}
	within := func(setting string, v *float64, lo, hi float64, unit, accepted string) {
		if need(setting, v == nil, accepted) && !(*v >= lo && *v <= hi) {
			errs = append(errs, &dsp.SettingError{Setting: setting, Found: fmt.Sprintf("%g %s", *v, unit), Accepted: fmt.Sprintf("%g to %g %s", lo, hi, unit)})
		}
	}
	if need("noise", n.Noise == nil, "the noise at the output, such as -96 dBu") && n.Noise.Unit == DBFS {
		errs = append(errs, &dsp.SettingError{Setting: "noise", Found: fmt.Sprintf("%s, which noise reads 3.01 dB apart by two references", n.Noise),
			Accepted: "dBFS-sine against a full-scale sine (AES17: the idle_noise readings of gauge, but for idle_noise_rms_dbfs), or dBFS-rms, mathematical rms (noise_floor_dbfs and noise_floor_a_dbfs of inspect, noise_dbfs of a recording)"})
	}
	within("gain_db", n.GainDB, -200, 200, "dB", "the gain from input to output in dB; without it no noise can be referred to the input")
	within("source_ohm", n.SourceOhm, 1e-3, 1e9, "ohm", "the resistance that the input was terminated with; a shorted input is no source")
	within("bandwidth_hz", n.BandwidthHz, 1, 1e9, "Hz", "the bandwidth of the measurement in Hz, such as 20000")
	if need("weighting", n.Weighting == "", "none, A, CCIR-RMS or BS.468") && inputWeightings[n.Weighting] == nil {
		errs = append(errs, &dsp.SettingError{Setting: "weighting", Found: fmt.Sprintf("%q", n.Weighting), Accepted: "none, A, CCIR-RMS or BS.468 (true rms; a quasi-peak figure has no thermal noise to compare it with)"})
	}
	within("temperature_c", &n.TemperatureC, -100, 300, "°C", "")
	return errors.Join(errs...)
}
