package instrument

import (
	"fmt"
	"math"
	"math/cmplx"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/reference"
	"github.com/boothbench/boothbench/measure/internal/measuretest"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// sections is a device of second-order sections, computed by their difference equation.
func sections(all ...dsp.Biquad) bench {
	return func(_ int, sound dsp.Block) {
		for _, plane := range sound {
			for _, s := range all {
				var x1, x2, y1, y2 float64
				for n, x := range plane {
					y := s.B0*x + s.B1*x1 + s.B2*x2 - s.A1*y1 - s.A2*y2
					x2, x1, y2, y1 = x1, x, y1, y
					plane[n] = y
				}
			}
		}
	}
}

// analytic is the transfer function of sections at z = e^(jω).
func analytic(rate float64, all ...dsp.Biquad) func(hz float64) complex128 {
	return func(hz float64) complex128 {
		z := cmplx.Rect(1, -2*math.Pi*hz/rate) // z⁻¹
		h := complex(1, 0)
		for _, s := range all {
			c := func(v float64) complex128 { return complex(v, 0) }
			h *= (c(s.B0) + c(s.B1)*z + c(s.B2)*z*z) / (1 + c(s.A1)*z + c(s.A2)*z*z)
		}
		return h
	}
}

// sweptCurve is a device's response measured with a sweep.
func sweptCurve(t *testing.T, sweep stimulus.Sweep, rate int, device ...dsp.Biquad) *FrequencyResponse {
	t.Helper()
	sound, err := sweep.Make(rate)
	if err != nil {
		t.Fatal(err)
	}
	sections(device...)(rate, sound)
	curves, err := SweepResponse{Sweep: sweep}.Curves(rate, sound)
	if err != nil {
		t.Fatal(err)
	}
	return curves[0]
}

var sweepForTests = stimulus.Sweep{FromHz: 5, ToHz: 22000, Seconds: 3, PeakDBFS: -20}

// The response is within 0.001 dB of the analytic one from 20 Hz to 20 kHz, and within 2e-4 as
// a complex ratio.
func TestResponseAgainstTransferFunction(t *testing.T) {
	dsptest.Exhaustive(t)
	for _, rate := range []int{44100, 96000} {
		if rate > 48000 && testing.Short() {
			continue
		}
		fs := float64(rate)
		for name, device := range map[string][]dsp.Biquad{
			"flat":      {{B0: 1}},
			"high-pass": dsp.ButterworthHighPass(2, 80, fs),
			"steep":     dsp.ButterworthHighPass(4, 60, fs),
			"bells":     {dsp.CookbookBell(60, 12, 5, fs), dsp.CookbookBell(3000, -9, 8, fs), dsp.CookbookHighShelf(8000, 6, 0.7, fs)},
			"low-pass":  dsp.ButterworthLowPass(2, 5000, fs),
			"notch":     {dsp.CookbookNotch(1000, 4, fs)},
		} {
			want := analytic(fs, device...)
			r := run(t, sections(device...), MultitoneResponse{Multitone: stimulus.StandardMultitone(-20), Declared: want}, rate)
			measuretest.WantReading(t, r, "response_deviation_db", 0, 0.001)
			curve := sweptCurve(t, stimulus.StandardSweep(-20), rate, device...)
			r = curveReadings([]*FrequencyResponse{curve}, want, "")
			measuretest.WantReading(t, r, "response_deviation_db", 0, 0.001)
			if t.Failed() {
				t.Fatalf("%s at %d Hz", name, rate)
			}
			for i, hz := range curve.Hz {
				if hz < 20 || hz > 20000 || cmplx.Abs(want(hz)) < 0.01 {
					continue
				}
				if d := cmplx.Abs(curve.Gain[i]/want(hz) - 1); d > 2e-4 {
					t.Fatalf("%s at %d Hz: %v at %g Hz, want %v", name, rate, curve.Gain[i], hz, want(hz))
				}
				// The group delay, as the difference quotient of the analytic phase.
				const step = 1e-4
				delay := -cmplx.Phase(want(hz*(1+step))/want(hz*(1-step))) / (2 * math.Pi * 2 * step * hz) * 1000
				if d := curve.GroupDelayMs[i] - delay; math.Abs(d) > 0.01+0.002*math.Abs(delay) {
					t.Fatalf("%s at %d Hz: group delay %.4f ms at %g Hz, want %.4f", name, rate, curve.GroupDelayMs[i], hz, delay)
				}
			}
		}
	}
}

// A device with a square term: the sweep separates its linear response from its harmonics. y =
// x + x²/10 has the gain 1 at the fundamental.
func TestSweepSeparatesTheResponseFromHarmonics(t *testing.T) {
	dsptest.Exhaustive(t)
	loud := stimulus.Sweep{FromHz: 5, ToHz: 22000, Seconds: 10, PeakDBFS: -1}
	r := run(t, curve(func(x float64) float64 { return x + x*x/10 }), SweepResponse{Sweep: loud, Declared: func(float64) complex128 { return 1 }}, 96000) // where no harmonic folds back
	// A tone of this level has a second harmonic of 4.5 %. If it were not cut off, the response
	// would have a ripple of that size, 0.4 dB.
	measuretest.WantReading(t, r, "response_deviation_db", 0, 0.01)
}

// The settings of filters whose definition is known are read back. A Butterworth filter has
// −3.01 dB at its corner and 6 dB an octave per order. The Cookbook's bell has half its gain in
// dB at points f0/Q apart, its shelf at f0.
func TestFilterSettingsAreReadBack(t *testing.T) {
	dsptest.Exhaustive(t)
	const rate = 96000.0
	measured := func(device ...dsp.Biquad) *FrequencyResponse { return sweptCurve(t, sweepForTests, rate, device...) }
	for _, order := range dsptest.Some(1, []int{4, 1, 2, 3}) {
		r := measured(dsp.ButterworthHighPass(order, 400, rate)...).CornerReadings(10000, 20)
		// At 10 kHz a filter of order 1 is 0.007 dB down itself: 0.6 Hz.
		measuretest.WantReading(t, r, "corner_hz", 400, 0.7)
		// 1/(1+4^(2n)) of the power two octaves out: 0.3 dB for order 1, 0 for the others.
		measuretest.WantReading(t, r, "slope_db_per_octave", -6.02*float64(order), 0.15)
		r = measured(dsp.ButterworthLowPass(order, 400, rate)...).CornerReadings(20, 20000)
		measuretest.WantReading(t, r, "corner_hz", 400, 1.3) // at 20 Hz the low-pass is 0.011 dB down: 1 Hz
		// The bilinear transform is steeper at 6.4 kHz, by 0.07 dB an octave and order.
		measuretest.WantReading(t, r, "slope_db_per_octave", -6.02*float64(order), 0.15+0.07*float64(order))
	}
	for _, c := range dsptest.Some(1, []struct{ hz, db, q float64 }{{60, 6, 1}, {1500, 15, 20}, {250, -12, 2}, {1000, 3, 8}, {1000, -1, 0.5}}) {
		r := measured(dsp.CookbookBell(c.hz, c.db, c.q, rate)).BellReadings(20, 20000)
		// The points are 0.73 Hz apart. At 2.6 kHz, where the widest bell ends, the bilinear
		// transform narrows it by 0.25 %.
		measuretest.WantReading(t, r, "centre_hz", c.hz, 0.002*c.hz)
		measuretest.WantReading(t, r, "bell_gain_db", c.db, 0.01)
		measuretest.WantReading(t, r, "bell_q", c.q, 0.01*c.q)
	}
	for _, c := range dsptest.Some(1, []struct{ hz, db, q float64 }{{1000, -9, 0.5}, {200, 6, 0.7}, {400, 12, 1}}) {
		r := measured(dsp.CookbookLowShelf(c.hz, c.db, c.q, rate)).ShelfReadings(20000, 20)
		measuretest.WantReading(t, r, "shelf_gain_db", c.db, 0.25) // at 20 Hz a shelf of 200 Hz has not reached its full gain
		measuretest.WantReading(t, r, "shelf_hz", c.hz, 0.03*c.hz)
		measuretest.WantReading(t, r, "shelf_q", c.q, 0.04*c.q)
		r = measured(dsp.CookbookHighShelf(c.hz, c.db, c.q, rate)).ShelfReadings(20, 20000)
		measuretest.WantReading(t, r, "shelf_gain_db", c.db, 0.25)
		measuretest.WantReading(t, r, "shelf_hz", c.hz, 0.03*c.hz)
		measuretest.WantReading(t, r, "shelf_q", c.q, 0.04*c.q)
	}
	flat := measured(dsp.Biquad{B0: 1})
	measuretest.WantReason(t, flat.CornerReadings(1000, 20), "corner_hz", "does not cross")
	measuretest.WantReason(t, flat.CornerReadings(1000, 20), "slope_db_per_octave", "no corner")
	measuretest.WantReason(t, flat.BellReadings(20, 20000), "centre_hz", "of 0")
	measuretest.WantReason(t, flat.ShelfReadings(20, 20000), "shelf_hz", "less than")
}

// Against scipy.signal.freqz and group_delay of the same coefficients.
func TestResponseAgainstScipy(t *testing.T) {
	const rate = 48000
	s := dsp.Biquad{B0: 1.05, B1: -1.8, B2: 0.81, A1: -1.75, A2: 0.79}
	var want struct{ Hz, DB, DelayMs []float64 }
	reference.Scipy(t, fmt.Sprintf(`
f = np.array([20, 50, 100, 300, 1000, 3000, 8000, 15000, 20000.0])
b, a = [%g, %g, %g], [1, %g, %g]
w, h = signal.freqz(b, a, worN=f, fs=%d)
w, g = signal.group_delay((b, a), w=f, fs=%[6]d)
print(json.dumps(dict(Hz=list(f), DB=list(20 * np.log10(abs(h))), DelayMs=list(g / %[6]d * 1000))))`, s.B0, s.B1, s.B2, s.A1, s.A2, rate), &want)
	measured := sweptCurve(t, sweepForTests, rate, s)
	for i, hz := range want.Hz {
		// 0.001 dB, and a hundredth of a ms.
		if got := measured.DB(hz); math.Abs(got-want.DB[i]) > 0.001 {
			t.Errorf("%g Hz: %.6f dB, scipy has %.6f", hz, got, want.DB[i])
		}
		if got := measured.DelayMs(hz); math.Abs(got-want.DelayMs[i]) > 0.01 {
			t.Errorf("%g Hz: group delay %.6f ms, scipy has %.6f", hz, got, want.DelayMs[i])
		}
	}
}
