package instrument

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// cookbookPeaking is peakingEQ of the W3C Audio EQ Cookbook, as printed there.
func cookbookPeaking(hz, gainDB, q, rate float64) dsp.Biquad {
	a, w := math.Pow(10, gainDB/40), 2*math.Pi*hz/rate
	alpha := math.Sin(w) / (2 * q)
	a0 := 1 + alpha/a
	return dsp.Biquad{B0: (1 + alpha*a) / a0, B1: -2 * math.Cos(w) / a0, B2: (1 - alpha*a) / a0, A1: -2 * math.Cos(w) / a0, A2: (1 - alpha/a) / a0}
}

// analoguePeaking is the prototype of the same document, H(s) for a normalised frequency.
func analoguePeaking(hz, gainDB, q float64) func(at float64) complex128 {
	return func(at float64) complex128 {
		s, a := complex(0, at/hz), complex(math.Pow(10, gainDB/40), 0)
		return (s*s + s*(a/complex(q, 0)) + 1) / (s*s + s/(a*complex(q, 0)) + 1)
	}
}

// throughSpectrum applies a response to sound that ends in silence, which takes up what the
// response leaves.
func throughSpectrum(x []float64, rate float64, h func(hz float64) complex128) {
	fft := fourier.NewFFT(len(x))
	c := fft.Coefficients(nil, x)
	for k := range c {
		if c[k] *= h(rate * float64(k) / float64(len(x))); k == len(c)-1 && len(x)%2 == 0 {
			c[k] = complex(cmplx.Abs(c[k]), 0)
		}
	}
	fft.Sequence(x, c)
	for i := range x {
		x[i] /= float64(len(x))
	}
}

// bellTrial are the readings of a device in noise, whose rms relative to full scale is given.
func bellTrial(t *testing.T, random *rand.Rand, rate int, seconds, noise float64, analogue func(hz float64) complex128, device ...dsp.Biquad) (hz, gain, q measure.Reading) {
	t.Helper()
	sweep := stimulus.Sweep{FromHz: 5, ToHz: 20500, Seconds: seconds, PeakDBFS: -20}
	sound, err := sweep.Make(rate)
	if err != nil {
		t.Fatal(err)
	}
	padded := dsp.NewBlock(1, sound.Frames()+rate)
	copy(padded[0], sound[0])
	sections(device...)(rate, padded)
	if analogue != nil {
		throughSpectrum(padded[0], float64(rate), analogue)
	}
	for i := range padded[0] {
		padded[0][i] += noise * random.NormFloat64()
	}
	r, err := SweepResponse{Sweep: sweep}.Analyse(rate, padded)
	if err != nil {
		t.Fatal(err)
	}
	hz, _ = r.Get("bell_hz")
	gain, _ = r.Get("bell_gain_db")
	q, _ = r.Get("bell_q")
	return hz, gain, q
}

// Random bells, analogue and digital, in noise and behind coupling capacitors: of the readings
// 95 of 100 are within what is stated, and most bells are read.
func TestBellsOfOutsideDevicesAreWithinTheirBounds(t *testing.T) {
	devices := 3
	if dsptest.IsExhaustive() {
		devices = 100
	}
	random := rand.New(rand.NewPCG(31, 7))
	uniform := func(low, high float64) float64 { return low + (high-low)*random.Float64() }
	var in, stated, read [3]int
	for n := range devices {
		rate := []int{48000, 44100, 96000}[n%3]
		fs := float64(rate)
		hz, q := math.Exp(uniform(math.Log(150), math.Log(6000))), math.Exp(uniform(math.Log(0.7), math.Log(12)))
		gain := uniform(1, 15)
		if random.IntN(2) == 0 {
			gain = -gain
		}
		device := []dsp.Biquad{{B0: uniform(0.5, 2)}}
		coupling := uniform(0.5, 12)
		device = append(device, dsp.ButterworthHighPass(1, coupling, fs)...)
		var analogue func(float64) complex128
		if n/3%2 == 0 {
			device = append(device, cookbookPeaking(hz, gain, q, fs))
		} else {
			analogue = analoguePeaking(hz, gain, q)
		}
		noise := math.Pow(10, uniform(-110, -70)/20)
		gotHz, gotGain, gotQ := bellTrial(t, random, rate, []float64{3, 10}[random.IntN(2)], noise, analogue, device...)
		for k, c := range []struct {
			got  measure.Reading
			want float64
		}{{gotHz, hz}, {gotGain, gain}, {gotQ, q}} {
			if !c.got.Measurable() {
				t.Logf("device %d: %.0f Hz, %.1f dB, Q %.2f, analogue %v, coupling %.1f Hz, noise %.0f dBFS: %s", n, hz, gain, q, analogue != nil, coupling, 20*math.Log10(noise), c.got.Reason)
				continue
			}
			read[k]++
			stated[k]++
			off := statedMs(t, strings.Replace(c.got.Bound, ",", "", 1))
			if math.Abs(c.got.Value-c.want) <= off {
				in[k]++
			} else {
				t.Logf("device %d: %.0f Hz, %.1f dB, Q %.2f, analogue %v, coupling %.1f, noise %.0f: reading %d is %.4f ± %.4f (%s), planted %.4f", n, hz, gain, q, analogue != nil, coupling, 20*math.Log10(noise), k, c.got.Value, off, c.got.Bandwidth, c.want)
			}
		}
	}
	for k := range in {
		t.Logf("reading %d: %d of %d devices read, %d inside", k, read[k], devices, in[k])
		if float64(in[k]) < 0.95*float64(stated[k]) {
			t.Errorf("reading %d: %d of %d within what is stated", k, in[k], stated[k])
		}
		if float64(read[k]) < 0.8*float64(devices) { // the rest lies in too much noise
			t.Errorf("reading %d: %d of %d devices read", k, read[k], devices)
		}
	}
}

// What is not one bell is not read as one: flat devices in noise, shelves, two bells, filters.
func TestWhatIsNotOneBellIsNotReadAsOne(t *testing.T) {
	devices := 3
	if dsptest.IsExhaustive() {
		devices = 120
	}
	random := rand.New(rand.NewPCG(32, 7))
	uniform := func(low, high float64) float64 { return low + (high-low)*random.Float64() }
	logs := func(low, high float64) float64 { return math.Exp(uniform(math.Log(low), math.Log(high))) }
	sign := func(v float64) float64 { return v * float64(1-2*random.IntN(2)) }
	const fs = 48000.0
	reasons := map[string]int{}
	for n := range devices {
		var device []dsp.Biquad
		kind := []string{"flat", "shelf", "two bells", "high-pass", "low-pass", "bell and shelf"}[n%6]
		switch kind {
		case "flat":
			device = dsp.ButterworthHighPass(1+random.IntN(2), uniform(0.5, 30), fs)
		case "shelf":
			device = []dsp.Biquad{dsp.CookbookLowShelf(logs(60, 2000), sign(uniform(1, 12)), uniform(0.4, 0.7), fs)}
			if random.IntN(2) == 0 {
				device = []dsp.Biquad{dsp.CookbookHighShelf(logs(500, 8000), sign(uniform(1, 12)), uniform(0.4, 0.7), fs)}
			}
		case "two bells":
			hz := logs(60, 3000)
			device = []dsp.Biquad{cookbookPeaking(hz, sign(uniform(2, 12)), logs(0.7, 8), fs), cookbookPeaking(hz*uniform(1.7, 4), sign(uniform(2, 12)), logs(0.7, 8), fs)}
		case "high-pass":
			device = dsp.ButterworthHighPass(1+random.IntN(4), logs(40, 300), fs)
		case "low-pass":
			device = dsp.ButterworthLowPass(1+random.IntN(4), logs(3000, 16000), fs)
		case "bell and shelf":
			device = []dsp.Biquad{cookbookPeaking(logs(300, 2000), sign(uniform(2, 12)), logs(0.7, 8), fs), dsp.CookbookHighShelf(logs(3000, 8000), sign(uniform(2, 12)), 0.7, fs)}
		}
		hz, gain, q := bellTrial(t, random, int(fs), []float64{3, 10}[random.IntN(2)], math.Pow(10, uniform(-110, -50)/20), nil, device...)
		if hz.Measurable() || gain.Measurable() || q.Measurable() {
			t.Errorf("device %d, %s: a bell at %s, %s, Q %s (%s, %s)", n, kind, hz, gain, q, hz.Bandwidth, q.Bound)
		}
		reasons[kind+": "+hz.Reason]++
	}
	for name, device := range map[string][]dsp.Biquad{
		"the lower of two bells lies below a band that has one": {cookbookPeaking(50, 6, 3, fs), cookbookPeaking(3000, 6, 2, fs)},
		"two bells side by side":                                {cookbookPeaking(1000, 6, 2, fs), cookbookPeaking(2000, 4, 2, fs)},
		"a bell without its upper side":                         {cookbookPeaking(15000, 6, 1, fs)},
	} {
		if hz, gain, q := bellTrial(t, random, int(fs), 3, 1e-5, nil, device...); hz.Measurable() || gain.Measurable() || q.Measurable() {
			t.Errorf("%s: a bell at %s, %s, Q %s (%s)", name, hz, gain, q, hz.Bandwidth)
		}
	}
	for range 4 {
		if hz, gain, q := bellTrial(t, random, int(fs), 3, 5e-3, nil, dsp.Biquad{B0: 1}); hz.Measurable() || gain.Measurable() || q.Measurable() {
			t.Errorf("a wire in noise: a bell at %s, %s, Q %s (%s, %s)", hz, gain, q, hz.Bandwidth, gain.Bound)
		}
	}
	t.Log(reasons)
}
