package instrument

import (
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure/internal/measuretest"
	"github.com/boothbench/boothbench/measure/internal/weighting"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// tpdf16 is the total error of 16 bits with TPDF dither, q²/4 (Lipshitz, Wannamaker,
// Vanderkooy, JAES 40(5) 1992), in dB re full scale squared: −96.3296. In 20 Hz to 20 kHz at 48
// kHz it is 0.796 dB less.
var tpdf16 = 10*math.Log10(math.Pow(2, -30)/4) + 10*math.Log10(19980.0/24000)

// White noise through the weightings: numerical integrals of their definitions, see
// TestWeightedWhiteNoise. 9 s of it in 20 kHz have an uncertainty of 0.01 dB (1 σ).
func TestIdleNoiseOfAConverter(t *testing.T) {
	r := run(t, converter(3), IdleNoise{}, 48000)
	measuretest.WantReading(t, r, "idle_noise_rms_dbfs", tpdf16, 0.04)
	measuretest.WantReading(t, r, "idle_noise_dbfs", tpdf16+3.0103, 0.04)
	measuretest.WantReading(t, r, "idle_noise_a_dbfs", tpdf16+3.0103-2.0483, 0.04)
	measuretest.WantReading(t, r, "idle_noise_ccir_rms_dbfs", tpdf16+3.0103+1.6714, 0.04)
	// There is no published figure for noise on the quasi-peak meter. It reads peaks: more than
	// the rms after the same network, less than 4 times that.
	weighted := tpdf16 + 3.0103 + 7.3014
	measuretest.WantReading(t, r, "idle_noise_quasi_peak_dbfs", weighted+6, 6)

	r = run(t, curve(func(float64) float64 { return 0 }), IdleNoise{}, 48000)
	for _, name := range []string{"idle_noise_rms_dbfs", "idle_noise_a_dbfs", "idle_noise_quasi_peak_dbfs"} {
		measuretest.WantReason(t, r, name, "exactly 0")
	}
	// An offset is not noise: one of −20 dBFS does not change the reading.
	offset := bench(func(rate int, sound dsp.Block) {
		converter(3)(rate, sound)
		for n := range sound[0] {
			sound[0][n] += 0.1
		}
	})
	measuretest.WantReading(t, run(t, offset, IdleNoise{}, 48000), "idle_noise_rms_dbfs", tpdf16, 0.04)
}

// A tone of known level: sums over bins are correct for lines as well.
func TestIdleNoiseOfATone(t *testing.T) {
	line := bench(func(rate int, sound dsp.Block) {
		for n := range sound[0] {
			sound[0][n] = 1e-4 * math.Sin(2*math.Pi*1000*float64(n)/float64(rate))
		}
	})
	r := run(t, line, IdleNoise{}, 44100)
	// 0 dB at 1 kHz in A and BS.468; CCIR-RMS is 5.63 dB lower (AES17 5.2.7).
	measuretest.WantReading(t, r, "idle_noise_dbfs", -80, 0.001)
	measuretest.WantReading(t, r, "idle_noise_rms_dbfs", -83.0103, 0.001)
	measuretest.WantReading(t, r, "idle_noise_a_dbfs", -80, 0.001)
	measuretest.WantReading(t, r, "idle_noise_ccir_rms_dbfs", -85.63, 0.005)
	measuretest.WantReading(t, r, "idle_noise_quasi_peak_dbfs", -80, 0.02)
}

// The dynamic range of 16 bits with TPDF dither is within 0.3 dB of theory. AES17's notch
// removes some noise, so the reading is up to 0.2 dB high.
func TestDynamicRangeOf16Bits(t *testing.T) {
	for seed := range uint64(3) {
		r := run(t, converter(seed), DynamicRange{}, 48000)
		measuretest.WantReading(t, r, "dynamic_range_ccir_rms_db", 92.44, 0.3)
		measuretest.WantReading(t, r, "dynamic_range_db", 94.12, 0.3)
		// More exactly: the noise that the notch leaves, by the formula of a second-order
		// band-stop of Q 3, summed over the band.
		for name, weight := range map[string]func(float64) float64{"db": func(float64) float64 { return 1 }, "a_db": weighting.A, "ccir_rms_db": weighting.CCIRRMS} {
			sum := 0.0
			for hz := 20.5; hz < 20000; hz++ {
				x := hz / 997
				sum += weight(hz) * (1 - x*x) * (1 - x*x) / ((1-x*x)*(1-x*x) + x*x/9)
			}
			measuretest.WantReading(t, r, "dynamic_range_"+name, -tpdf16-3.0103-10*math.Log10(sum/19980), 0.04)
		}
		// A published figure with A-weighting, from a measurement: 96.32 dB.
		measuretest.WantReading(t, r, "dynamic_range_a_db", 96.32, 0.1)
		measuretest.WantReading(t, r, "tone_dbfs", -60, 0.01)
	}
	// Muting appears as a missing tone, not as a good figure.
	r := run(t, curve(func(float64) float64 { return 0 }), DynamicRange{}, 48000)
	measuretest.WantReason(t, r, "dynamic_range_ccir_rms_db", "silence")
}

// The sum of the mains products of random hum in random noise is within its stated uncertainty,
// two standard deviations, for 19 of 20.
func TestMainsSumInNoiseIsWithinItsBound(t *testing.T) {
	devices := 3
	if dsptest.IsExhaustive() {
		devices = 30
	}
	rng := rand.New(rand.NewPCG(50, 60))
	held := 0
	for range devices {
		hum, noise := math.Pow(10, (-100+20*rng.Float64())/20), math.Pow(10, (-90+25*rng.Float64())/20)
		r := run(t, bench(func(rate int, sound dsp.Block) {
			for n := range sound[0] {
				w := 2 * math.Pi * 50 * float64(n) / float64(rate)
				sound[0][n] = hum*(math.Sin(w)+0.5*math.Sin(2*w+1)+0.3*math.Sin(3*w)) + noise*rng.NormFloat64()
			}
		}), MainsProducts{}, 8000)
		got, _ := r.Get("mains_sum_dbfs")
		found := regexp.MustCompile(`^±([0-9.e+-]+) dB`).FindStringSubmatch(got.Bound)
		want := 20*math.Log10(hum) + 10*math.Log10(1+0.25+0.09)
		if !got.Measurable() || found == nil && strings.Contains(got.Bound, "upper bound") {
			held++ // an upper bound cannot be wrong here
			continue
		}
		if found == nil {
			t.Fatalf("mains_sum_dbfs %v states nothing: %q", got, got.Bound)
		}
		off, _ := strconv.ParseFloat(found[1], 64)
		if math.Abs(got.Value-want) <= off {
			held++
		} else {
			t.Logf("%.3f dBFS ±%g, want %.3f", got.Value, off, want)
		}
	}
	if held < devices-max(1, devices/20) {
		t.Errorf("%d of %d within what is stated", held, devices)
	}
}

func TestMainsProductsOfHum(t *testing.T) {
	dsptest.Exhaustive(t)
	hum := func(hz float64) bench {
		return func(rate int, sound dsp.Block) {
			converter(4)(rate, sound)
			for n := range sound[0] {
				w := 2 * math.Pi * hz * float64(n) / float64(rate)
				sound[0][n] += 1e-3*math.Sin(w) + 3e-4*math.Sin(3*w) + 1e-4*math.Sin(4*w)
			}
		}
	}
	for _, hz := range []float64{50, 49.93, 60.05} {
		r := run(t, hum(hz), MainsProducts{}, 48000)
		measuretest.WantReading(t, r, "mains_hz", hz, 0.001)
		measuretest.WantReading(t, r, "mains1_dbfs", -60, 0.05)
		measuretest.WantReading(t, r, "mains3_dbfs", 20*math.Log10(3e-4), 0.2)
		measuretest.WantReading(t, r, "mains_sum_dbfs", 10*math.Log10(1e-6+9e-8+1e-8), 0.05)
		if got, _ := r.Get("mains2_dbfs"); got.Value > -120 {
			t.Errorf("%g Hz: the second product reads %v where none is", hz, got)
		}
	}
	r := run(t, converter(4), MainsProducts{}, 48000)
	measuretest.WantReason(t, r, "mains_hz", "is above the noise")
	r = run(t, converter(4), MainsProducts{MainsHz: 60}, 48000)
	if got, _ := r.Get("mains_sum_dbfs"); !got.Measurable() || got.Value > -115 {
		t.Errorf("noise alone gives products of %v", got)
	}
}

// The dead band of a rounded first-order recursion y = round(a·y). It stops at the largest y
// with y·(1−|a|) ≤ 1/2 (Jackson, "An analysis of limit cycles due to multiplication rounding in
// recursive digital filters", 1969): within 5 codes for 0.9, constant or, for −0.9, of
// alternating sign.
func TestLimitCycles(t *testing.T) {
	afterATone := LimitCycle{stimulus.ToneThenSilence{Tone: stimulus.Tone{Hz: 997, PeakDBFS: -20, Seconds: 1}, SilenceSeconds: 4}}
	recursion := func(a float64) bench {
		return func(_ int, sound dsp.Block) {
			y := 0.0
			for n, x := range sound[0] {
				y = math.Round(x*32768 + a*y)
				sound[0][n] = y / 32768
			}
		}
	}
	for a, period := range map[float64]float64{0.9: 1, -0.9: 2} {
		r := run(t, recursion(a), afterATone, 48000)
		peak, _ := r.Get("idle_tail_peak_dbfs")
		if codes := 32768 * math.Pow(10, peak.Value/20); !peak.Measurable() || codes < 0.999 || codes > 5.001 {
			t.Errorf("%g: the tail peaks at %v, %.3f codes", a, peak, codes)
		}
		measuretest.WantReading(t, r, "limit_cycle_period_frames", period, 0)
		measuretest.WantReading(t, r, "limit_cycle_hz", 48000/period, 0)
		measuretest.WantReason(t, r, "decay_to_zero_ms", "never")
	}
	// A delay of 480 frames decays after 10 ms, except that the last sample of the fade is 0.
	delay := bench(func(_ int, sound dsp.Block) {
		copy(sound[0][480:], append([]float64(nil), sound[0]...))
		clear(sound[0][:480])
	})
	r := run(t, delay, afterATone, 48000)
	measuretest.WantReading(t, r, "decay_to_zero_ms", 10, 0.03)
	measuretest.WantReason(t, r, "idle_tail_peak_dbfs", "exactly 0")
	measuretest.WantReason(t, r, "limit_cycle_hz", "exactly 0")
	r = run(t, converter(1), afterATone, 48000)
	measuretest.WantReason(t, r, "limit_cycle_hz", "does not repeat")
}

func TestCrosstalkAndBalance(t *testing.T) {
	leak := bench(func(_ int, sound dsp.Block) {
		rng := rand.New(rand.NewPCG(5, 5))
		for n := range sound[0] {
			a, b := sound[0][n], sound[1][n]
			sound[0][n] = a + 0.0001*b + 1e-5*(rng.Float64()-0.5)
			sound[1][n] = 0.98*b + 0.001*a + 1e-5*(rng.Float64()-0.5)
		}
	})
	s := tone(10000, -20)
	s.Channels = 2
	s.Only = 1
	measuretest.WantReading(t, run(t, leak, Crosstalk{Tone: s}, 48000), "crosstalk_1to2_db", -60, 0.01)
	s.Only = 2
	measuretest.WantReading(t, run(t, leak, Crosstalk{Tone: s}, 48000), "crosstalk_2to1_db", 20*math.Log10(0.0001/0.98), 0.05)
	s.Only = 0
	measuretest.WantReading(t, run(t, leak, ChannelBalance{Tone: s}, 48000), "channel_balance_1to2_db", 20*math.Log10(0.981/1.0001), 0.001)
	s.Only = 1
	measuretest.WantReason(t, run(t, curve(func(x float64) float64 { return x }), Crosstalk{Tone: s}, 48000), "crosstalk_1to2_db", ExactlyZero)
	if _, err := (Crosstalk{Tone: tone(997, -20)}).Analyse(48000, dsp.NewBlock(2, 150000)); err == nil {
		t.Error("crosstalk without a driven channel is accepted")
	}
}

func TestGainLinearity(t *testing.T) {
	series := stimulus.AES17Series(-5)
	// x + 0.1·x³ has a gain of 1 + 0.075·A² at the fundamental.
	r := run(t, curve(func(x float64) float64 { return 2 * (x + 0.1*x*x*x) }), GainLinearity{Series: series}, 48000)
	at := func(dbfs float64) float64 { return 20 * math.Log10(1+0.075*math.Pow(10, dbfs/10)) }
	measuretest.WantReading(t, r, "gain_db", 20*math.Log10(2)+at(-20), 1e-6)
	measuretest.WantReading(t, r, "linearity_m5_db", at(-5)-at(-20), 1e-6)
	measuretest.WantReading(t, r, "linearity_m110_db", at(-110)-at(-20), 1e-6)
	measuretest.WantReading(t, r, "linearity_worst_db", at(-5)-at(-20), 1e-6)

	// With TPDF dither 16 bits are linear below their last bit (Lipshitz, Wannamaker,
	// Vanderkooy, 1992). At −100 dBFS the noise in the line, about −137 dBFS, causes 0.1 dB (1
	// σ).
	if dsptest.IsExhaustive() {
		r = run(t, converter(6), GainLinearity{Series: series}, 48000)
		for name, tolerance := range map[string]float64{"linearity_m60_db": 0.004, "linearity_m90_db": 0.1, "linearity_m100_db": 0.35} {
			measuretest.WantReading(t, r, name, 0, tolerance)
		}
	}
	// Without dither they are not linear, and below half a bit the output is 0.
	r = run(t, curve(func(x float64) float64 { return math.Round(x*32768) / 32768 }), GainLinearity{Series: series}, 48000)
	if got, _ := r.Get("linearity_m95_db"); got.Measurable() && math.Abs(got.Value) < 1 {
		t.Errorf("undithered rounding reads linear at −95 dBFS: %v", got)
	}
	measuretest.WantReason(t, r, "linearity_m100_db", "exactly 0")
}

// An ideal clipper: THD+N from the Fourier series of a clipped sine (the closed form of
// TestHarmonicsOfAClippedSine), with the notch and the band, solved for −40 dB. At 192 kHz
// little folds back; steps are 0.05 dB.
func TestMaximumLevelOfAClipper(t *testing.T) {
	const clip = 0.5
	thd := func(dbfs float64) float64 {
		a := math.Pow(10, dbfs/20)
		theta := math.Asin(min(1, clip/a))
		b1 := 2 / math.Pi * (theta + math.Sin(theta)*math.Cos(theta))
		behind, total := 0.0, b1*b1
		for n := 3.0; n*997 <= 20000; n += 2 {
			b := 2 / math.Pi * (math.Sin((n-1)*theta)/(n*(n-1)) + math.Sin((n+1)*theta)/(n*(n+1)))
			k := (n*n - 1) * (n*n - 1)
			behind, total = behind+b*b*k/(k+n*n/9), total+b*b
		}
		return 10 * math.Log10(behind/total)
	}
	low, high := -6.0, -5.0
	for range 50 {
		if middle := (low + high) / 2; thd(middle) < -40 {
			low = middle
		} else {
			high = middle
		}
	}
	series := stimulus.ToneSeries{Hz: 997, FromDBFS: -5.9, ToDBFS: -5.7, StepDB: 0.05, StepSeconds: 0.8}
	if dsptest.IsExhaustive() {
		series.FromDBFS, series.ToDBFS = -6.5, -5.5
	}
	r := run(t, curve(func(x float64) float64 { return max(-clip, min(clip, x)) }), MaximumLevel{Series: series}, 192000)
	measuretest.WantReading(t, r, "maximum_level_dbfs", low, 0.01)
	// All harmonics, no notch: −5.769 dBFS (solved from the same series).
	if math.Abs(low+5.769) > 0.02 {
		t.Errorf("closed form %.4f dBFS", low)
	}

	// Compression without distortion: a gain of 1/(1+A²) has fallen by 0.3 dB where A² =
	// 10^(0.3/20) · (1 + first level squared) − 1.
	levelled := bench(func(rate int, sound dsp.Block) {
		step := rate * 8 / 10
		for from := 0; from < len(sound[0]); from += step {
			peak := 0.0
			for _, x := range sound[0][from : from+step] {
				peak = max(peak, math.Abs(x))
			}
			for n := from; n < from+step; n++ {
				sound[0][n] /= 1 + peak*peak
			}
		}
	})
	// Linear interpolation over a step of 1 dB is up to 0.05 dB off this curve.
	series = stimulus.ToneSeries{Hz: 997, FromDBFS: -40, ToDBFS: 0, StepDB: 1, StepSeconds: 0.8}
	r = run(t, levelled, MaximumLevel{Series: series}, 48000)
	measuretest.WantReading(t, r, "maximum_level_dbfs", 10*math.Log10(math.Pow(10, 0.3/20)*(1+1e-4)-1), 0.05)
	r = run(t, curve(func(x float64) float64 { return x }), MaximumLevel{Series: series}, 48000)
	measuretest.WantReason(t, r, "maximum_level_dbfs", "not reached")
}
