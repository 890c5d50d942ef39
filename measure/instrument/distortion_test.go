package instrument

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure/internal/measuretest"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Polynomials of a sine have closed-form harmonics (powers of a cosine). 1e-6 dB: rounding of
// the printed reference values.
func TestHarmonicsOfPolynomials(t *testing.T) {
	square := curve(func(x float64) float64 { return x + 0.1*x*x + 0.05*x*x*x })
	for _, rate := range []int{44100, 48000, 96000} {
		r := run(t, square, HarmonicDistortion{Tone: tone(997, 0)}, rate)
		measuretest.WantReading(t, r, "tone_hz", 997, 1e-6)
		measuretest.WantReading(t, r, "tone_dbfs", 20*math.Log10(1.0375), 1e-6)
		measuretest.WantReading(t, r, "harmonic2_db", -26.340362, 1e-6)
		measuretest.WantReading(t, r, "harmonic3_db", -38.381562, 1e-6)
		measuretest.WantReading(t, r, "harmonic2_percent", 100*0.05/1.0375, 1e-6)
		measuretest.WantReading(t, r, "thd_fundamental_db", -26.077073, 1e-6)
		// There are no others: below −250 dB is rounding.
		for k := 4; k <= 10; k++ {
			if h, _ := r.Get(fmt.Sprintf("harmonic%d_db", k)); h.Measurable() && h.Value > -250 {
				t.Errorf("%d Hz: harmonic %d reads %.1f dB where none is", rate, k, h.Value)
			}
		}
	}
	fifth := curve(func(x float64) float64 { return x + 0.1*x*x + 0.05*x*x*x + 0.02*math.Pow(x, 5) })
	r := run(t, fifth, HarmonicDistortion{Tone: tone(997, -1)}, 48000)
	measuretest.WantReading(t, r, "thd_fundamental_db", -26.938865, 1e-6)
}

// Both references of THD: harmonics of 0.1, 0.05 and 0.02 relative to a fundamental of 1 (IEC
// 60268-3 14.12.3.2; computed from the definition).
func TestBothReferencesOfTHD(t *testing.T) {
	d := bench(func(rate int, sound dsp.Block) {
		for n := range sound[0] {
			w := 2 * math.Pi * 997 * float64(n) / float64(rate)
			sound[0][n] = 0.5 * (math.Sin(w) + 0.1*math.Sin(2*w+1) + 0.05*math.Sin(3*w+2) + 0.02*math.Sin(4*w+3))
		}
	})
	r := run(t, d, HarmonicDistortion{Tone: tone(997, -6)}, 48000)
	measuretest.WantReading(t, r, "thd_fundamental_percent", 11.357816691600547, 1e-7)
	// The total comes from a spectrum whose sums are exact to about 1e-6.
	measuretest.WantReading(t, r, "thd_total_percent", 11.285260010027609, 1e-4)
}

// A sine clipped at half its peak: the closed form of its Fourier series (standard textbook
// integral). At 768 kHz almost nothing folds back.
func TestHarmonicsOfAClippedSine(t *testing.T) {
	const level = 0.5
	theta := math.Asin(level)
	b := func(n float64) float64 {
		if n == 1 {
			return 2 / math.Pi * (theta + level*math.Cos(theta))
		}
		return 2 / math.Pi * (math.Sin((n-1)*theta)/(n*(n-1)) + math.Sin((n+1)*theta)/(n*(n+1)))
	}
	clip := curve(func(x float64) float64 { return max(-level, min(level, x)) })
	r := run(t, clip, HarmonicDistortion{Tone: stimulus.Tone{Hz: 997, PeakDBFS: 0, Seconds: 1.3}, Orders: 19}, 768000)
	sum := 0.0
	for n := 3.0; n <= 19; n += 2 {
		measuretest.WantReading(t, r, fmt.Sprintf("harmonic%g_percent", n), 100*math.Abs(b(n))/b(1), 0.001)
		sum += b(n) * b(n)
	}
	measuretest.WantReading(t, r, "thd_fundamental_percent", 100*math.Sqrt(sum)/b(1), 0.001)
	// With all harmonics the closed form has a THD_F of 0.232938137433; the harmonics above 20
	// kHz make the difference.
	if thd, _ := r.Get("thd_fundamental_percent"); thd.Value > 23.2938137433 || thd.Value < 23.2 {
		t.Errorf("THD %.5f %%, of 23.29381 %% with all harmonics", thd.Value)
	}
	// THD+N computed separately: the closed form's harmonics in the band, each through the
	// notch (from the transfer function of a second-order band-stop), over the whole sound in
	// the band. 0.001 dB: the spectrum.
	behind, total := 0.0, b(1)*b(1)
	for n := 3.0; n <= 19; n += 2 {
		behind += b(n) * b(n) * (n*n - 1) * (n*n - 1) / ((n*n-1)*(n*n-1) + n*n/9)
		total += b(n) * b(n)
	}
	measuretest.WantReading(t, r, "thd_plus_noise_db", 10*math.Log10(behind/total), 0.001)
}

// A third harmonic at −100 dB is read within 0.2 dB through a 16-bit converter with dither, and
// the stated bound holds. None of 8 seeds may be off by more than 0.2 dB, which is 2.6 standard
// deviations.
func TestThirdHarmonicAtMinus100dB(t *testing.T) {
	dsptest.Exhaustive(t)
	const third = 1e-5 * 4 // the third harmonic of a·x³ is a/4 of x at full scale
	outside := 0
	for seed := range uint64(8) {
		d := bench(func(rate int, sound dsp.Block) {
			// x³ for a tone of −1 dBFS: computed from the tone at full scale.
			peak := math.Pow(10, -1.0/20)
			for n, x := range sound[0] {
				u := x / peak
				sound[0][n] = peak * (u + third*(u*u*u-0.75*u))
			}
			converter(seed)(rate, sound)
		})
		r := run(t, d, HarmonicDistortion{Tone: stimulus.StandardTone(-1)}, 48000)
		measuretest.WantReading(t, r, "harmonic3_db", -100, 0.2)
		measuretest.WantReading(t, r, "tone_dbfs", -1, 0.0001)
		h, _ := r.Get("harmonic3_db")
		var bound float64
		// 0.2 dB are 2.6 deviations, and the bound is 2.3 (Student's t) of a deviation that is
		// estimated from ten overlapping lines to 23 %: 0.18 dB, and two deviations of that
		// estimate.
		if _, err := fmt.Sscanf(h.Bound, "±%g dB", &bound); err != nil || bound > 0.18*1.46 {
			t.Errorf("bound %q", h.Bound)
		}
		if math.Abs(h.Value+100) > bound {
			outside++
		}
	}
	// Two standard deviations exclude one in 20: three of eight have a probability of 1 in 200.
	if outside > 2 {
		t.Errorf("%d of 8 readings lie outside their bound", outside)
	}
	// Without noise: to rounding.
	r := run(t, curve(func(x float64) float64 { return x + third*(x*x*x-0.75*x) }), HarmonicDistortion{Tone: tone(997, 0)}, 48000)
	measuretest.WantReading(t, r, "harmonic3_db", -100, 1e-6)

	// Without noise, −160 dB is measured; below −280 dB there is only rounding.
	const faint = 1e-8 * 4
	r = run(t, curve(func(x float64) float64 { return x + faint*(x*x*x-0.75*x) }), HarmonicDistortion{Tone: tone(997, 0)}, 48000)
	measuretest.WantReading(t, r, "harmonic3_db", -160, 1e-4)
	for name, words := range map[string]string{"harmonic3_db": "±", "harmonic5_db": "rounding"} {
		if h, _ := r.Get(name); !strings.Contains(h.Bound, words) {
			t.Errorf("%s: bound %q, want %q", name, h.Bound, words)
		}
	}
}

// THD+N of a clean tone through the converter is the noise of TPDF dither, q²/4 per sample
// (Lipshitz, Wannamaker, Vanderkooy, 1992), in 20 Hz to 20 kHz. The notch removes a noise
// bandwidth of π/2 · 997 Hz / Q = 522 Hz. 0.05 dB: three standard deviations of 4 s of noise.
func TestTHDPlusNoiseOfAConverter(t *testing.T) {
	r := run(t, converter(1), HarmonicDistortion{Tone: stimulus.StandardTone(-1)}, 48000)
	noise := 10*math.Log10(math.Pow(2, -30)/4) + 10*math.Log10((19980-math.Pi/2*997/3)/24000)
	measuretest.WantReading(t, r, "thd_plus_noise_db", noise-(-1-3.0103), 0.05)
	// The harmonics do not exist, and their readings are upper bounds. A line's noise has a
	// mean square of 4·σ²·2.63/N through the 7-term window (2.63 bins wide, N frames). The
	// reading is at most twice that amplitude, plus four deviations of 1/√2 of it.
	most := dsp.AmplitudeToDB(2+4/math.Sqrt2) + 10*math.Log10(math.Pow(2, -30)/4*4*2.63/(3*48000)) + 1 // relative to a tone of -1 dBFS
	bounds := 0
	for k := 2; k <= 10; k++ {
		h, _ := r.Get(fmt.Sprintf("harmonic%d_db", k))
		if h.Value > most+1 { // the measured noise varies by 46 % (9.5 degrees of freedom): 1 dB in amplitude is one deviation
			t.Errorf("harmonic %d reads %v of pure noise", k, h)
		}
		if strings.Contains(h.Bound, "upper bound") {
			bounds++
		}
	}
	// Noise exceeds its mean power by 6 dB with a probability of e^−4.
	if bounds < 7 {
		t.Errorf("%d of 9 harmonics of pure noise are said to be upper bounds", bounds)
	}
}

func TestDistortionWithoutAValueHasAReason(t *testing.T) {
	straight := curve(func(x float64) float64 { return x })
	r := run(t, straight, HarmonicDistortion{Tone: tone(7000, -20)}, 44100)
	measuretest.WantReason(t, r, "harmonic3_db", "above the band")
	measuretest.WantReason(t, r, "harmonic4_db", "half the rate")
	r = run(t, straight, HarmonicDistortion{Tone: tone(15000, -20)}, 44100)
	measuretest.WantReason(t, r, "thd_fundamental_db", "no harmonic")
	r = run(t, curve(func(float64) float64 { return 0 }), HarmonicDistortion{Tone: tone(997, -20)}, 44100)
	measuretest.WantReason(t, r, "thd_plus_noise_db", "silence")
	r = run(t, curve(func(float64) float64 { return math.NaN() }), HarmonicDistortion{Tone: tone(997, -20)}, 44100)
	measuretest.WantReason(t, r, "thd_plus_noise_db", "NaN")
	noise := bench(func(rate int, sound dsp.Block) {
		clear(sound[0])
		converter(1)(rate, sound)
	})
	r = run(t, noise, HarmonicDistortion{Tone: tone(997, -20)}, 44100)
	measuretest.WantReason(t, r, "tone_dbfs", "undecided")
	if _, err := (HarmonicDistortion{Tone: tone(997, -20)}).Analyse(48000, dsp.NewBlock(1, 48000)); err == nil {
		t.Error("a response that is too short is accepted")
	}
}

// With a clock that is 50 ppm fast the tone is found, and no part of it counts as distortion.
func TestToneOfAFastClockIsFound(t *testing.T) {
	const hz = 997 * (1 + 50e-6)
	d := bench(func(rate int, sound dsp.Block) {
		for n := range sound[0] {
			sound[0][n] = 0.5 * math.Sin(2*math.Pi*math.Mod(hz*float64(n)/float64(rate), 1))
		}
	})
	r := run(t, d, HarmonicDistortion{Tone: tone(997, -6)}, 48000)
	measuretest.WantReading(t, r, "tone_hz", hz, 1e-9)
	if h, _ := r.Get("thd_plus_noise_db"); h.Measurable() && h.Value > -180 {
		t.Errorf("THD+N reads %v of a pure tone", h)
	}
}

func TestDistortionOverLevelAndFrequency(t *testing.T) {
	dsptest.Exhaustive(t)
	cubic := curve(func(x float64) float64 { return x + 0.05*x*x*x })
	for _, level := range []float64{-40, -20, 0} {
		for _, hz := range []float64{20, 997, 6000} {
			r := run(t, cubic, HarmonicDistortion{Tone: tone(hz, level)}, 48000)
			a := math.Pow(10, level/20)
			measuretest.WantReading(t, r, "tone_hz", hz, 1e-6)
			measuretest.WantReading(t, r, "harmonic3_db", 20*math.Log10(0.0125*a*a/(1+0.0375*a*a)), 1e-6)
		}
	}
}

// Two channels: names end in the channel, and each has its own readings.
func TestDistortionOfTwoChannels(t *testing.T) {
	d := bench(func(_ int, sound dsp.Block) {
		for n, x := range sound[1] {
			sound[1][n] = x + 0.1*x*x
		}
	})
	h := HarmonicDistortion{Tone: tone(997, 0)}
	h.Tone.Channels = 2
	r := run(t, d, h, 48000)
	measuretest.WantReading(t, r, "harmonic2_db_ch2", 20*math.Log10(0.05), 1e-6)
	if got, _ := r.Get("harmonic2_db_ch1"); got.Measurable() && got.Value > -250 {
		t.Errorf("channel 1 reads %v", got)
	}
}
