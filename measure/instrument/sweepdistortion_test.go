package instrument

import (
	"math"
	"math/cmplx"
	"testing"

	"pgregory.net/rapid"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure/internal/measuretest"
	"github.com/boothbench/boothbench/measure/internal/testsound"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// chebyshev is a curve that gives a sine of this peak harmonics of known levels in dB relative
// to the fundamental, from the second on: T_n(cos φ) = cos nφ (Abramowitz and Stegun, Handbook
// of Mathematical Functions, 22.3.15).
func chebyshev(peak float64, db ...float64) func(float64) float64 {
	return func(x float64) float64 {
		x /= peak
		last, now, y := 1.0, x, x
		for _, level := range db {
			last, now = now, 2*x*now-last
			y += math.Pow(10, level/20) * now
		}
		return peak * y
	}
}

// off is the largest error of a harmonic in dB, over the points that have a level.
func off(h HarmonicCurve, want func(hz float64) float64) (worst, at float64, points int) {
	for i, hz := range h.Hz {
		if math.IsNaN(h.DB[i]) {
			continue
		}
		points++
		if d := math.Abs(h.DB[i] - want(hz)); d > worst {
			worst, at = d, hz
		}
	}
	return worst, at, points
}

// The second harmonic at −40 dB and the third at −50 dB are read within 0.2 dB, from 25 Hz up
// to where they leave the band, with both kinds of sweep, at a rate at which nothing folds
// back.
func TestSweepReadsKnownHarmonics(t *testing.T) {
	dsptest.Exhaustive(t)
	const rate = 96000
	seconds := 3.0
	if dsptest.IsExhaustive() {
		seconds = 10
	}
	for _, sweep := range []stimulus.Swept{
		stimulus.SynchronisedSweep{FromHz: 5, ToHz: 22000, Seconds: seconds, PeakDBFS: -20},
		stimulus.Sweep{FromHz: 5, ToHz: 22000, Seconds: seconds, PeakDBFS: -20},
	} {
		sound, err := sweep.Make(rate)
		if err != nil {
			t.Fatal(err)
		}
		curve(chebyshev(0.1, -40, -50))(rate, sound)
		all, err := SweepDistortion{Sweep: sweep}.Curves(rate, sound)
		if err != nil {
			t.Fatal(err)
		}
		for i, want := range []float64{-40, -50} {
			worst, at, points := off(all[0][i], func(float64) float64 { return want })
			if worst > 0.2 || points < 190 { // 10 octaves less log2(n), 24 points each: 204 for the third
				t.Errorf("%s, order %d: off by %.3f dB at %.0f Hz, %d points", sweep.Kind(), i+2, worst, at, points)
			}
		}
		for _, h := range all[0][2:] { // these orders do not exist: their readings are far below
			for i, db := range h.DB {
				if db > -75 {
					t.Errorf("%s, order %d: %.1f dB at %.0f Hz; none was planted", sweep.Kind(), h.Order, db, h.Hz[i])
				}
			}
		}
	}
}

// A wire has no distortion: no point is clear of the noise, and the readings state that.
func TestSweepDistortionOfAWire(t *testing.T) {
	sweep := stimulus.SynchronisedSweep{FromHz: 5, ToHz: 22000, Seconds: 3, PeakDBFS: -20}
	r := run(t, sections(dsp.Biquad{B0: 1}), SweepDistortion{Sweep: sweep}, 48000)
	for _, name := range []string{"harmonic2_at_1khz_db", "harmonic2_max_db", "harmonic3_max_db", "harmonic5_max_db"} {
		got, ok := r.Get(name)
		if !ok || got.Measurable() && (got.Bound == "" || got.Value > -90) || !got.Measurable() && got.Beyond >= 0 {
			t.Errorf("%s: %v %+v; accepted: under -90 dB with a bound, or under all that is stated", name, ok, got)
		}
	}
}

// A reading that cannot be measured has a reason: with a sweep that ends below the harmonics,
// and with silence.
func TestSweepDistortionWithoutAValueHasAReason(t *testing.T) {
	for name, c := range map[string]struct {
		sweep  stimulus.Sweep
		device Device
	}{
		"narrow":  {stimulus.Sweep{FromHz: 100, ToHz: 300, Seconds: 2, PeakDBFS: -20}, sections(dsp.Biquad{B0: 1})},
		"silence": {stimulus.Sweep{FromHz: 5, ToHz: 22000, Seconds: 1, PeakDBFS: -20}, sections(dsp.Biquad{})},
	} {
		r := run(t, c.device, SweepDistortion{Sweep: c.sweep}, 48000)
		for _, n := range r {
			if n.Measurable() {
				t.Errorf("%s: %s reads %v", name, n.Name, n.Reading)
			}
		}
		if len(r) != 8 {
			t.Errorf("%s: %d readings; accepted: two of each order from 2 to 5", name, len(r))
		}
	}
}

// A random polynomial before two random filters, with random delay and noise: every point has
// its level, within 0.2 dB and the error that the noise may cause.
func TestSweepDistortionOfRandomDevices(t *testing.T) {
	dsptest.Exhaustive(t)
	rapid.Check(t, func(t *rapid.T) {
		rate := rapid.SampledFrom([]int{44100, 48000, 88200, 96000}).Draw(t, "rate")
		fs := float64(rate)
		peak := dsp.DBToAmplitude(rapid.Float64Range(-30, -6).Draw(t, "peak_dbfs"))
		var levels []float64
		for n := 2; n <= 5; n++ {
			levels = append(levels, rapid.Float64Range(-80, -30).Draw(t, "harmonic_db"))
		}
		sweep := stimulus.SynchronisedSweep{FromHz: 5, ToHz: 21000, Seconds: rapid.Float64Range(5, 12).Draw(t, "seconds"), PeakDBFS: dsp.AmplitudeToDB(peak)}
		filters := []dsp.Biquad{
			dsp.CookbookBell(rapid.Float64Range(100, 8000).Draw(t, "bell_hz"), rapid.Float64Range(-12, 12).Draw(t, "bell_db"), rapid.Float64Range(0.5, 3).Draw(t, "bell_q"), fs),
			dsp.ButterworthHighPass(2, rapid.Float64Range(10, 80).Draw(t, "corner_hz"), fs)[0],
		}
		late := rapid.IntRange(0, rate/20).Draw(t, "late")
		noise := dsp.DBToAmplitude(rapid.Float64Range(-140, -80).Draw(t, "noise_dbfs"))
		sound, err := sweep.Make(rate)
		if err != nil {
			t.Fatal(err)
		}
		curve(chebyshev(peak, levels...))(rate, sound)
		x := append(make([]float64, late), sound[0]...)
		sections(filters...)(rate, dsp.Block{x})
		for i, v := range testsound.Noise(len(x), noise, 7) {
			x[i] += v
		}
		all, err := SweepDistortion{Sweep: sweep}.Curves(rate, dsp.Block{x})
		if err != nil {
			t.Fatal(err)
		}
		gain := analytic(fs, filters...)
		db := func(hz float64) float64 { return dsp.AmplitudeToDB(cmplx.Abs(gain(hz))) }
		for i, h := range all[0] {
			known := 0
			for k, hz := range h.Hz {
				if math.IsNaN(h.DB[k]) {
					continue
				}
				known++
				if !h.Clear(k) {
					continue
				}
				want := levels[i] + db(float64(h.Order)*hz) - db(hz)
				// 0.2 dB, and five times the mean amplitude of the noise. Noise exceeds that
				// once in e^25 points (exponential distribution of its power), or once in e^16
				// where its mean is estimated 2 dB too low.
				got, planted := dsp.DBToAmplitude(h.DB[k]), dsp.DBToAmplitude(want)
				most := (dsp.DBToAmplitude(0.2)-1)*planted + 5*dsp.DBToAmplitude(h.NoiseDB[k])
				if math.Abs(got-planted) > most {
					t.Fatalf("order %d at %.0f Hz: %.2f dB; accepted: %.2f (noise %.1f dB)", h.Order, hz, h.DB[k], want, h.NoiseDB[k])
				}
			}
			if known < 150 {
				t.Fatalf("order %d has %d points", h.Order, known)
			}
		}
	})
}

// Sweep and tone agree on a device without a closed form: a soft saturation curve.
func TestSweepAndToneGiveEqualHarmonics(t *testing.T) {
	const rate = 96000
	device := curve(func(x float64) float64 { return math.Tanh(2*x+0.1) / 2 })
	tone := stimulus.StandardTone(-12)
	tone.Hz, tone.Seconds = 1000, 3
	byTone := run(t, device, HarmonicDistortion{Tone: tone}, rate)
	bySweep := run(t, device, SweepDistortion{Sweep: stimulus.SynchronisedSweep{FromHz: 5, ToHz: 22000, Seconds: 3, PeakDBFS: -12}}, rate)
	for _, n := range []string{"2", "3"} {
		want, ok := byTone.Get("harmonic" + n + "_db")
		if !ok {
			t.Fatal("no tone")
		}
		measuretest.WantReading(t, bySweep, "harmonic"+n+"_at_1khz_db", want.Value, 0.05)
	}
}
