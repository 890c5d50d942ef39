package measure_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/measuretest"
	"github.com/boothbench/boothbench/measure/internal/weighting"
)

// Voltages from the definitions of dBu (√0.6 V) and dBV (1 V), and the line-up
// levels of EBU R 68-2000 (0 dBu at −18 dBFS) and SMPTE RP 155 (+4 dBu at −20).
// 1e-6: the digits of the table.
func TestLevelUnits(t *testing.T) {
	for _, c := range []struct {
		level       string
		calibration string
		unit        measure.LevelUnit
		want        float64
	}{
		{"0 dBu", "", measure.Volts, 0.7745966692},
		{"0 dBV", "", measure.DBU, 2.2184874962},
		{"4 dBu", "", measure.Volts, 1.227652988},
		{"+4 dBu", "", measure.DBV, 1.7815125},
		{"-10 dBV", "", measure.DBU, -7.781512504},
		{"-10 dBV", "", measure.Volts, 0.316227766},
		{"-10dBV", "", measure.Millivolts, 316.227766},
		{"-133 dBV", "", measure.DBU, -130.7815125},
		{"24 dBu", "", measure.Volts, 12.27653},
		{"0.22 µV", "", measure.DBV, -133.1515466},
		{"-20 dBFS", "0 dBFS = +16 dBu", measure.DBU, -4},
		{"-20 dBFS", "0 dBFS = +16 dBu", measure.DBV, -6.2184874962},
		{"-18 dBFS", "-18 dBFS = 0 dBu", measure.Volts, 0.7745966692},
		{"4 dBu", "-20 dBFS = +4 dBu", measure.DBFS, -20},
		{"0 dBFS", "+4 dBu = -20 dBFS", measure.DBU, 24},
		{"0 dBFS", "0 dBFS = 1 V", measure.DBV, 0},
		{"0 dBFS", "", measure.DBFSRMS, -3.0102999566},
		{"-96.3296 dBFS rms", "", measure.DBFS, -93.3193},
		{"-3.0102999566 dBFS-rms", "0 dBFS = +16 dBu", measure.DBU, 16},
	} {
		var calibration *measure.Calibration
		if c.calibration != "" {
			var err error
			if calibration, err = measure.ParseCalibration(c.calibration); err != nil {
				t.Errorf("%s: %v", c.calibration, err)
				continue
			}
		}
		level, err := measure.ParseLevel(c.level)
		if err != nil {
			t.Errorf("%s: %v", c.level, err)
			continue
		}
		if got, err := level.In(c.unit, calibration); err != nil || math.Abs(got.Value-c.want) > 1e-6*math.Max(1, math.Abs(c.want)) {
			t.Errorf("%s in %s: %.9g (%v), want %.9g", c.level, c.unit, got.Value, err, c.want)
		}
	}
}

func TestLevelsThatAreRefused(t *testing.T) {
	for text, words := range map[string]string{
		"−133 dBV":   "typographic minus",
		"-1,5 dBu":   "comma",
		"-20 dB":     "against what",
		"-20 dBv":    "write dBu or dBV",
		"-1 dBTP":    "peak between samples",
		"4 dBm":      "600 ohm",
		"-23 LUFS":   "997 Hz",
		"-20 dBFX":   "accepted: dBFS",
		"dBu":        "no number",
		"-20":        "unit \"\"",
		"1e400 V":    "accepted",
		"--3 dBu":    "finite number",
		"1 MV":       "unit \"MV\"",
		"-20 dBFS x": "accepted",
	} {
		if _, err := measure.ParseLevel(text); err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%s: %v, want an error with %q", text, err, words)
		}
	}
	_, err := measure.Level{-20, measure.DBFS}.In(measure.DBU, nil)
	var missing *measure.CalibrationError
	if !errors.As(err, &missing) || missing.From != measure.DBFS || missing.To != measure.DBU {
		t.Errorf("dBFS in dBu without a calibration: %v", err)
	}
	if _, err := (measure.Level{0, measure.Volts}).In(measure.DBU, nil); err == nil {
		t.Error("0 V has a level in dBu")
	}
	for _, text := range []string{"0 dBFS", "0 dBFS = 0 dBFS", "0 dBu = 4 dBV", "x = 4 dBu", "0 dBFS = 0 V"} {
		if c, err := measure.ParseCalibration(text); err == nil {
			t.Errorf("calibration %q is accepted as %v", text, c)
		}
	}
}

// Johnson and Nyquist's √(4kTRB), in dBu and dBV: a table worked from the SI's
// Boltzmann constant; a published page has 0.22 µV, −133 dBV for 150 ohm. With
// A-weighting 2.0483 dB less than in 19980 Hz. 1e-4: the table's digits, and the
// sum over the weighting.
func TestThermalNoise(t *testing.T) {
	none, a := func(float64) float64 { return 1 }, weighting.A
	for _, c := range []struct {
		ohm, celsius, bandwidth float64
		weight                  func(float64) float64
		dbu                     float64
	}{
		{150, 20, 20000, none, -130.917968}, {200, 20, 20000, none, -129.668581}, {600, 20, 20000, none, -124.897368},
		{1000, 20, 20000, none, -122.678881}, {10000, 20, 20000, none, -112.678881}, {150, 25, 20000, none, -130.844519},
		{150, 16.85, 20000, none, -130.964887}, {150, 20, 19980, none, -130.917968 - 0.00435},
		{150, 20, 20000, a, -132.970585}, {200, 20, 20000, a, -131.721197},
	} {
		if got := 20 * math.Log10(measure.ThermalNoise(c.ohm, c.celsius, c.bandwidth, c.weight)/math.Sqrt(0.6)); math.Abs(got-c.dbu) > 1e-4 {
			t.Errorf("%g ohm, %g °C, %g Hz: %.6f dBu, want %.6f", c.ohm, c.celsius, c.bandwidth, got, c.dbu)
		}
	}
}

func TestEquivalentInputNoise(t *testing.T) {
	complete := func() measure.InputNoise {
		return measure.InputNoise{Noise: &measure.Level{-88, measure.DBU}, GainDB: new(40.0), SourceOhm: new(150.0), BandwidthHz: new(20000.0), Weighting: "none", TemperatureC: 20}
	}
	result, err := complete().Equivalent()
	if err != nil || result.Impossible != "" {
		t.Fatal(err, result.Impossible)
	}
	measuretest.WantReading(t, result.Readings, "equivalent_input_noise_dbu", -128, 1e-9)
	measuretest.WantReading(t, result.Readings, "equivalent_input_noise_dbv", -130.2184874962, 1e-9)
	measuretest.WantReading(t, result.Readings, "thermal_noise_dbu", -130.917968, 1e-6)
	measuretest.WantReading(t, result.Readings, "noise_figure_db", 2.917968, 1e-6)

	// 3 dB under physics; and the thermal noise itself, rounded to one decimal,
	// is not.
	n := complete()
	n.Noise.Value = -133.917968 + 40
	if result, err = n.Equivalent(); err != nil || !strings.Contains(result.Impossible, "3.0 dB below the thermal noise of 150 ohm") {
		t.Errorf("3 dB below the thermal noise: %q, %v", result.Impossible, err)
	}
	measuretest.WantReason(t, result.Readings, "noise_figure_db", "impossible")
	n.Noise.Value = -130.95 + 40
	if result, err = n.Equivalent(); err != nil || result.Impossible != "" {
		t.Errorf("the thermal noise, rounded: %q, %v", result.Impossible, err)
	}
	// A-weighted, the same resistance has 2.05 dB less.
	n.Weighting, n.Noise.Value = "A", -132.9+40
	if result, err = n.Equivalent(); err != nil || result.Impossible != "" {
		t.Errorf("A-weighted: %q, %v", result.Impossible, err)
	}

	// Each one that is missing is named, all at once; none is guessed.
	_, err = measure.InputNoise{}.Equivalent()
	for _, name := range []string{"noise", "gain_db", "source_ohm", "bandwidth_hz", "weighting"} {
		if err == nil || !strings.Contains(err.Error(), name+": found nothing") {
			t.Errorf("%s missing: %v", name, err)
		}
	}
	for name, spoil := range map[string]func(*measure.InputNoise){
		"gain_db": func(n *measure.InputNoise) { n.GainDB = nil }, "source_ohm": func(n *measure.InputNoise) { n.SourceOhm = new(0.0) },
		"bandwidth_hz": func(n *measure.InputNoise) { n.BandwidthHz = new(math.NaN()) }, "weighting": func(n *measure.InputNoise) { n.Weighting = "quasi-peak" },
	} {
		n := complete()
		spoil(&n)
		if _, err := n.Equivalent(); err == nil || strings.Count(err.Error(), "accepted") != 1 || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
	n = complete()
	n.Noise = &measure.Level{-88, measure.DBFSSine}
	if _, err := n.Equivalent(); err == nil || !strings.Contains(err.Error(), "calibration") {
		t.Errorf("dBFS without a calibration: %v", err)
	}
	n.Calibration = &measure.Calibration{16}
	if result, err = n.Equivalent(); err != nil {
		t.Error(err)
	}
	measuretest.WantReading(t, result.Readings, "equivalent_input_noise_dbu", -112, 1e-9)
}

// Voltage dividers: a load equal to the source halves the level.
func TestOutputImpedance(t *testing.T) {
	r, err := measure.OutputImpedance(measure.Level{0, measure.DBFS}, measure.Level{-20 * math.Log10(2), measure.DBFS}, 600, nil)
	if err != nil {
		t.Fatal(err)
	}
	measuretest.WantReading(t, r, "output_impedance_ohm", 600, 1e-9)
	r, err = measure.OutputImpedance(measure.Level{1.1, measure.Volts}, measure.Level{1, measure.Volts}, 100, nil)
	if err != nil {
		t.Fatal(err)
	}
	measuretest.WantReading(t, r, "output_impedance_ohm", 10, 1e-9)
	measuretest.WantReading(t, r, "load_drop_db", 0.827854, 1e-6) // a ratio of 1:10
	for name, f := range map[string]func() (measure.Readings, error){
		"more when loaded": func() (measure.Readings, error) {
			return measure.OutputImpedance(measure.Level{0, measure.DBU}, measure.Level{1, measure.DBU}, 600, nil)
		},
		"no load": func() (measure.Readings, error) {
			return measure.OutputImpedance(measure.Level{0, measure.DBU}, measure.Level{-1, measure.DBU}, 0, nil)
		},
		"mixed": func() (measure.Readings, error) {
			return measure.OutputImpedance(measure.Level{0, measure.DBU}, measure.Level{-1, measure.DBFS}, 600, nil)
		},
	} {
		if r, err := f(); err == nil {
			t.Errorf("%s: %v", name, r)
		}
	}
}

// A load that swings from 40 to 120 ohm, from sources of several impedances:
// 20 log10 of the dividers' ratio. Two decimals are printed.
func TestLoadResponse(t *testing.T) {
	for source, want := range map[float64]float64{0: 0, 1: 0.14, 4: 0.54, 10: 1.24, 33: 3.12} {
		_, r, err := measure.LoadResponse(source, []measure.ImpedancePoint{{1000, 40}, {90, 120}})
		if err != nil {
			t.Fatal(err)
		}
		measuretest.WantReading(t, r, "response_spread_db", want, 0.0051)
		curve, err := measure.ResonantLoad{DCOhm: 40, PeakOhm: 120, ResonanceHz: 90, Q: 3}.Curve()
		if err != nil {
			t.Fatal(err)
		}
		// At 20 kHz the model is within 0.01 ohm of its 40 ohm.
		_, r, err = measure.LoadResponse(source, curve)
		if err != nil {
			t.Fatal(err)
		}
		measuretest.WantReading(t, r, "response_spread_db", want, 0.0051)
	}
	// Half the power 1/Q wide: a quarter of an octave off, |1/(1+jQ(x−1/x))|.
	curve, _ := measure.ResonantLoad{DCOhm: 10, PeakOhm: 110, ResonanceHz: 1000 * math.Pow(10, 0.1), Q: 5}.Curve()
	for _, p := range curve {
		if p.Hz == 1000 {
			x := math.Pow(10, -0.1)
			re := 1 / (1 + 25*(x-1/x)*(x-1/x))
			if math.Abs(real(p.Ohm)-(10+100*re)) > 1e-9 {
				t.Errorf("%v at 1 kHz", p.Ohm)
			}
		}
	}
	for _, l := range []measure.ResonantLoad{{}, {DCOhm: 40, PeakOhm: 30, ResonanceHz: 90, Q: 1}, {DCOhm: 40, PeakOhm: 120, Q: 1}, {DCOhm: 40, PeakOhm: 120, ResonanceHz: 90, Q: math.NaN()}} {
		var setting *dsp.SettingError
		if _, err := l.Curve(); !errors.As(err, &setting) {
			t.Errorf("%+v: %v", l, err)
		}
	}
}

func TestImpedanceCurveFiles(t *testing.T) {
	curve, err := measure.ReadImpedanceCurve("x.csv", strings.NewReader("\ufeffHz, Ohm\n# measured at 0.1 V\n20,41\r\n\n90,120\n1000,40.5\n"))
	if err != nil || len(curve) != 3 || curve[2] != (measure.ImpedancePoint{1000, 40.5}) {
		t.Errorf("%v, %v", curve, err)
	}
	for text, words := range map[string]string{
		"20,41\n20,42\n":      "x.csv:2: found 20 Hz after 20 Hz",
		"20;41\n":             "x.csv:1: found",
		"20,41\n30,1,5\n":     "x.csv:2:",
		"20,41\n30,-5\n":      "x.csv:2: found -5",
		"20,41\n30,\n":        "x.csv:2:",
		"20,41\nhz,ohm\n":     "x.csv:2:",
		"20,41\n":             "1 points",
		"":                    "0 points",
		"20,41\n30,Inf\n":     "x.csv:2:",
		"20,41\n30,4\u221210": "x.csv:2:",
	} {
		if _, err := measure.ReadImpedanceCurve("x.csv", strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%q: %v, want %q", text, err, words)
		}
	}
}

// Whatever is typed: a level or an error, and a level's own text is read as the
// same level.
func FuzzParseLevel(f *testing.F) {
	for _, s := range []string{"-20 dBFS", "4 dBu", "1.5 mV", "−3 dBV", "1,5 V", "0 dBFS rms"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		level, err := measure.ParseLevel(text)
		if err != nil {
			return
		}
		again, err := measure.ParseLevel(level.String())
		if err != nil || again.Unit != level.Unit || math.Abs(again.Value-level.Value) > 0.006+1e-3*math.Abs(level.Value) {
			t.Fatalf("%q is %v, which reads %v (%v)", text, level, again, err)
		}
	})
}

// Noise in dBFS reads 3.01 dB apart by two references: a bare one is refused, and the
// two that say which differ by that.
func TestBareDBFSOfNoiseIsRefused(t *testing.T) {
	ein := func(unit measure.LevelUnit) (float64, error) {
		gain, ohm, band := 40.0, 150.0, 20000.0
		e, err := measure.InputNoise{Noise: &measure.Level{Value: -88, Unit: unit}, Calibration: &measure.Calibration{FullScaleDBu: 16},
			GainDB: &gain, SourceOhm: &ohm, BandwidthHz: &band, Weighting: "none", TemperatureC: 20}.Equivalent()
		r, _ := e.Readings.Get("equivalent_input_noise_dbu")
		return r.Value, err
	}
	if _, err := ein(measure.DBFS); err == nil || !strings.Contains(err.Error(), "dBFS-rms") || !strings.Contains(err.Error(), "dBFS-sine") {
		t.Errorf("a bare dBFS: %v, want a refusal that names both references", err)
	}
	sine, err := ein(measure.DBFSSine)
	if err != nil || math.Abs(sine-(-88+16-40)) > 1e-9 {
		t.Errorf("dBFS-sine: %g dBu, %v, want -112", sine, err)
	}
	if rms, err := ein(measure.DBFSRMS); err != nil || math.Abs(rms-sine-10*math.Log10(2)) > 1e-9 {
		t.Errorf("dBFS-rms: %g dBu, %v, want 3.01 dB more than %g", rms, err, sine)
	}
}
