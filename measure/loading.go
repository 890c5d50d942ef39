package measure

import (
	"bufio"
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/dsp"
)

// OutputImpedance computes an output's impedance, in ohm, from its levels without and
// with a load: Z = R·(open/loaded − 1), taken as resistive. Both levels are of the same
// tone. Levels in dBFS need no calibration, since only their ratio counts.
func OutputImpedance(open, loaded Level, loadOhm float64, c *Calibration) (Readings, error) {
	if !(loadOhm > 0) || math.IsInf(loadOhm, 0) {
		return nil, &dsp.SettingError{Setting: "load_ohm", Found: fmt.Sprintf("%g ohm", loadOhm), Accepted: "the load's resistance, more than 0 ohm"}
	}
	unit := DBU
	if open.Unit.digital() && loaded.Unit.digital() {
		unit = DBFS
	}
	a, err := open.In(unit, c)
	if err != nil {
		return nil, err
	}
	b, err := loaded.In(unit, c)
	if err != nil {
		return nil, err
	}
	drop := a.Value - b.Value
	if drop < 0 {
		return nil, &dsp.SettingError{Setting: "loaded", Found: fmt.Sprintf("%v, %.2f dB more than the open output's %v", loaded, -drop, open), Accepted: "at most the level of the open output"}
	}
	impedance := func(db float64) float64 { return loadOhm * (dsp.DBToAmplitude(db) - 1) }
	var r Readings
	r.Add("output_impedance_ohm", Reading{
		Value: impedance(drop), Unit: "ohm", Definition: fmt.Sprintf("%g ohm × (open/loaded − 1), taken as resistive", loadOhm),
		Bound: fmt.Sprintf("0.01 dB of error in a level is %.2g ohm", impedance(drop+0.01)-impedance(drop)),
	})
	r.Add("load_drop_db", Reading{Value: drop, Unit: "dB", Reference: "the loaded output", Definition: "open level less loaded level"})
	return r, nil
}

// ImpedancePoint is a load's impedance at a frequency.
type ImpedancePoint struct {
	Hz  float64
	Ohm complex128 // of a modulus alone, its phase is taken as 0
}

// LoadPoint is the level of a source at a load, relative to the open output.
type LoadPoint struct {
	Hz    float64 `json:"hz"`
	Ohm   float64 `json:"ohm"` // modulus
	Level float64 `json:"level_db"`
}

// LoadResponse is the frequency response of a source impedance with a load:
// |Z/(Z+source)| at each point. Its readings are response_spread_db, the highest level
// less the lowest, and largest_loss_db, relative to the open output.
func LoadResponse(sourceOhm float64, load []ImpedancePoint) ([]LoadPoint, Readings, error) {
	if !(sourceOhm >= 0) || math.IsInf(sourceOhm, 0) {
		return nil, nil, &dsp.SettingError{Setting: "source_ohm", Found: fmt.Sprintf("%g ohm", sourceOhm), Accepted: "the source's output impedance, 0 ohm or more"}
	}
	if len(load) == 0 {
		return nil, nil, errors.New("the impedance curve has no point")
	}
	points := make([]LoadPoint, len(load))
	bound := "the curve has moduli only: the load is taken as resistive at each point"
	for i, z := range load {
		if sum := z.Ohm + complex(sourceOhm, 0); sum == 0 || cmplx.IsNaN(sum) || cmplx.IsInf(sum) {
			return nil, nil, fmt.Errorf("found a load of %g ohm at %g Hz with a source of %g ohm; accepted: finite impedances that are not 0 together", z.Ohm, z.Hz, sourceOhm)
		}
		points[i] = LoadPoint{z.Hz, cmplx.Abs(z.Ohm), dsp.AmplitudeToDB(cmplx.Abs(z.Ohm / (z.Ohm + complex(sourceOhm, 0))))}
		if imag(z.Ohm) != 0 {
			bound = ""
		}
	}
	byLevel := func(a, b LoadPoint) int { return cmp.Compare(a.Level, b.Level) }
	low, high := slices.MinFunc(points, byLevel), slices.MaxFunc(points, byLevel)
	var r Readings
	r.Add("response_spread_db", Reading{
		Value: high.Level - low.Level, Unit: "dB", Bound: bound, Reference: fmt.Sprintf("%.5g Hz, the lowest", low.Hz),
		Definition: fmt.Sprintf("level at %.5g Hz (%.4g ohm) over that at %.5g Hz (%.4g ohm) from %g ohm", high.Hz, high.Ohm, low.Hz, low.Ohm, sourceOhm),
	})
	r.Add("largest_loss_db", Reading{Value: -low.Level, Unit: "dB", Bound: bound, Reference: "the open output", Definition: fmt.Sprintf("at %.5g Hz", low.Hz)})
	return points, r, nil
}

// ResonantLoad is a model of a headphone: a resistance and, in series with it, a
// resonance as of a parallel circuit, Z = DC + (peak − DC)/(1 + jQ(f/f0 − f0/f)).
type ResonantLoad struct {
	DCOhm, PeakOhm float64
	ResonanceHz    float64
	Q              float64
}

// Curve is the impedance at third octaves from 20 Hz to 20 kHz (IEC 61260-1, base
// ten) and at the resonance.
func (l ResonantLoad) Curve() ([]ImpedancePoint, error) {
	for _, s := range []struct {
		setting   string
		value, lo float64
		unit      string
	}{{"dc_ohm", l.DCOhm, 0.01, "ohm"}, {"peak_ohm", l.PeakOhm, l.DCOhm, "ohm"}, {"resonance_hz", l.ResonanceHz, 1, "Hz"}, {"q", l.Q, 0.01, ""}} {
		if !(s.value >= s.lo) || s.value > 1e6 {
			return nil, &dsp.SettingError{Setting: s.setting, Found: strings.TrimSpace(fmt.Sprintf("%g %s", s.value, s.unit)), Accepted: strings.TrimSpace(fmt.Sprintf("%g to 1e6 %s", s.lo, s.unit))}
		}
	}
	hz := []float64{l.ResonanceHz}
	for n := -17; n <= 13; n++ {
		hz = append(hz, 1000*math.Pow(10, float64(n)/10))
	}
	slices.Sort(hz)
	var curve []ImpedancePoint
	for _, f := range slices.Compact(hz) {
		z := complex(l.DCOhm, 0) + complex(l.PeakOhm-l.DCOhm, 0)/complex(1, l.Q*(f/l.ResonanceHz-l.ResonanceHz/f))
		curve = append(curve, ImpedancePoint{f, z})
	}
	return curve, nil
}

// ReadImpedanceCurve reads lines of the form hz,ohm in order of frequency. It ignores a
// header line "hz,ohm", empty lines and lines that begin with #. The name stands for the
// file in errors.
func ReadImpedanceCurve(name string, r io.Reader) ([]ImpedancePoint, error) {
	var curve []ImpedancePoint
	lines := bufio.NewScanner(r)
	for line := 1; lines.Scan(); line++ {
		text := strings.TrimSpace(strings.TrimPrefix(lines.Text(), "\ufeff"))
		if text == "" || strings.HasPrefix(text, "#") || len(curve) == 0 && strings.EqualFold(strings.ReplaceAll(text, " ", ""), "hz,ohm") {
			continue
		}
		refuse := func(found string) error {
			return fmt.Errorf("%s:%d: found %s; accepted: two numbers, hz,ohm, such as 1000,32.5", name, line, found)
		}
		fields := strings.Split(text, ",")
		if len(fields) != 2 {
			return nil, refuse(fmt.Sprintf("%q, %d fields", text, len(fields)))
		}
		var numbers [2]float64
		for i, f := range fields {
			v, err := ParseNumber(strings.TrimSpace(f))
			if err != nil {
				return nil, fmt.Errorf("%s:%d: %w", name, line, err)
			}
			if v <= 0 {
				return nil, refuse(fmt.Sprintf("%g, not more than 0,", v))
			}
			numbers[i] = v
		}
		if k := len(curve); k > 0 && numbers[0] <= curve[k-1].Hz {
			return nil, fmt.Errorf("%s:%d: found %g Hz after %g Hz; accepted: rising frequencies", name, line, numbers[0], curve[k-1].Hz)
		}
		curve = append(curve, ImpedancePoint{numbers[0], complex(numbers[1], 0)})
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if len(curve) < 2 {
		return nil, fmt.Errorf("%s: found %d points; accepted: 2 lines of hz,ohm or more", name, len(curve))
	}
	return curve, nil
}
