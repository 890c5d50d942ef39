package instrument

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// kernel is the interpolation of a rate converter over frames of its input: its reach to each
// side, and its value. It is test code only.
type kernel struct {
	reach float64
	at    func(t float64) float64
}

var (
	nearestFrame = kernel{0.5, func(float64) float64 { return 1 }}
	straightLine = kernel{1, func(t float64) float64 { return 1 - math.Abs(t) }}
	// Cubic convolution (Keys 1981).
	cubic = kernel{2, func(t float64) float64 {
		t = math.Abs(t)
		if t < 1 {
			return 1.5*t*t*t - 2.5*t*t + 1
		}
		return -0.5*t*t*t + 2.5*t*t - 4*t + 2
	}}
)

// sincOver is a windowed sinc that passes frequencies up to a share of half the input's rate.
func sincOver(reach, cut float64) kernel {
	const steps = 4096
	half := make([]float64, int(reach)*steps+2)
	for i := range half {
		t := float64(i) / steps
		w := math.Cos(math.Pi * t / (2 * reach))
		half[i] = cut * w * w
		if t > 0 {
			half[i] = w * w * math.Sin(math.Pi*cut*t) / (math.Pi * t)
		}
	}
	return kernel{reach, func(t float64) float64 {
		at := math.Abs(t) * steps
		i := min(int(at), len(half)-2)
		return half[i] + (at-float64(i))*(half[i+1]-half[i])
	}}
}

// converted is sound at another rate, interpolated by a kernel.
func converted(x []float64, from, to float64, k kernel) []float64 {
	out := make([]float64, int(float64(len(x))*to/from))
	for n := range out {
		at := float64(n) * from / to
		for i := int(math.Ceil(at - k.reach)); float64(i) < at+k.reach; i++ {
			if i >= 0 && i < len(x) {
				out[n] += x[i] * k.at(at-float64(i))
			}
		}
	}
	return out
}

// goodWay are kernels that cut at 0.95 of half the lower rate, at least 48 frames wide.
func goodWay(rate, other int) (there, back kernel) {
	low := min(rate, other)
	return sincOver(math.Ceil(96*float64(rate)/float64(low)), 0.95*float64(low)/float64(rate)), sincOver(math.Ceil(96*float64(other)/float64(low)), 0.95*float64(low)/float64(other))
}

func addNoise(x []float64, rmsDBFS float64, seed uint64) {
	random := rand.New(rand.NewPCG(seed, 9))
	for n := range x {
		x[n] += dsp.DBToAmplitude(rmsDBFS) * random.NormFloat64()
	}
}

func rounded(x []float64, bits int) {
	step := math.Ldexp(1, 1-bits)
	for n := range x {
		x[n] = math.Round(x[n]/step) * step
	}
}

// resamplingFinding is the finding about another rate, "" if there is none.
func resamplingFinding(t *testing.T, s stimulus.Signal, rate int, device func(x []float64) []float64) string {
	t.Helper()
	m := stimulus.Marked{Signal: s, Rate: rate}
	sound, _, err := m.Make()
	if err != nil {
		t.Fatal(err)
	}
	a, err := Align(m, Recording{Sound: dsp.Block{device(sound[0])}, Rate: rate, Bits: 24})
	if void := (*VoidError)(nil); errors.As(err, &void) && void.Why == TooQuiet {
		return "" // then there are no other findings
	}
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range a.Findings {
		if strings.Contains(f.What, "resampled") {
			return f.What
		}
	}
	return ""
}

// A conversion to another rate and back is a finding that names the rate: by the images of a
// poor converter, or by the edge that a good one leaves in the noise or in a sweep.
func TestResamplingIsReportedWithItsRate(t *testing.T) {
	tone := stimulus.Tone{Hz: 997, PeakDBFS: -10, Seconds: 2}
	round := stimulus.Tone{Hz: 1000, PeakDBFS: -10, Seconds: 2}
	silence := stimulus.Silence{Seconds: 2}
	sweep := stimulus.Sweep{FromHz: 10, ToHz: 23500, Seconds: 3, PeakDBFS: -10}
	for _, c := range dsptest.Some(1, []struct {
		name, phrase string
		signal       stimulus.Signal
		rate, other  int
		kernels      []kernel // there and back; none: a good converter
		noiseDBFS    float64  // before the conversion
		bits         int      // of the file at the other rate; 0: not rounded
	}{
		{"straight lines", "lines at 2903 and 4897 Hz", tone, 48000, 44100, []kernel{straightLine, straightLine}, -110, 0},
		{"good, noise", "44100 Hz: as if", silence, 48000, 44100, nil, -90, 0},
		{"good, sweep", "the response falls", sweep, 48000, 44100, nil, -100, 0},
		{"cubic", "resampled to 44100 Hz", tone, 48000, 44100, []kernel{cubic, cubic}, -110, 0},
		{"upwards", "resampled to 48000 Hz", tone, 44100, 48000, []kernel{straightLine, straightLine}, -100, 0},
		{"good, tone in noise", "44100 Hz: as if", tone, 48000, 44100, nil, -95, 16},
		{"nearest frame", "resampled to 44100 Hz", tone, 48000, 44100, []kernel{nearestFrame, nearestFrame}, -100, 0},
		{"nearest frame, of 1 kHz", "resampled to 44100 Hz", round, 48000, 44100, []kernel{nearestFrame, nearestFrame}, -100, 0},
		{"one way plain", "resampled to 44100 Hz", tone, 48000, 44100, []kernel{sincOver(64, 0.9), straightLine}, -110, 0},
		{"to 32 kHz, plain", "resampled to 32000 Hz", tone, 48000, 32000, []kernel{cubic, cubic}, -100, 0},
		{"to 32 kHz, good", "half of 32000 Hz", silence, 48000, 32000, nil, -100, 0},
		{"to 32 kHz, sweep", "half of 32000 Hz", sweep, 48000, 32000, nil, -100, 0},
		{"to 16 kHz, sweep", "half of 16000 Hz", sweep, 48000, 16000, nil, -100, 0},
		{"96 kHz to 48 kHz", "half of 48000 Hz", silence, 96000, 48000, nil, -95, 0},
		{"96 kHz to 44.1 kHz", "half of 44100 Hz", silence, 96000, 44100, nil, -95, 0},
		{"96 kHz to 44.1 kHz, plain", "resampled to 44100 Hz", tone, 96000, 44100, []kernel{straightLine, straightLine}, -95, 0},
		{"twin tone", "44100 Hz: as if", stimulus.TwinTone{LowHz: 60, HighHz: 7000, Ratio: 4, PeakDBFS: -10, Seconds: 2}, 48000, 44100, nil, -90, 0},
		// The file at the other rate has 16 bits: its rounding noise ends at half its rate.
		{"16 bits in between", "44100 Hz: as if", silence, 48000, 44100, nil, -98, 16},
	}) {
		kernels := c.kernels
		if kernels == nil {
			there, back := goodWay(c.rate, c.other)
			kernels = []kernel{there, back}
		}
		found := resamplingFinding(t, c.signal, c.rate, func(x []float64) []float64 {
			addNoise(x, c.noiseDBFS, 1)
			x = converted(x, float64(c.rate), float64(c.other), kernels[0])
			if c.bits > 0 {
				rounded(x, c.bits)
			}
			x = converted(x, float64(c.other), float64(c.rate), kernels[1])
			addNoise(x, -130, 2)
			return x
		})
		if !strings.Contains(found, c.phrase) || !strings.Contains(found, "as if") {
			t.Errorf("%s: found %q, want %q", c.name, found, c.phrase)
		}
		if strings.Contains(found, "falls by") && !strings.Contains(found, "unless the device has so steep a low-pass") {
			t.Errorf("%s: found %q, with no word of a device that looks the same", c.name, found)
		}
	}
}

// lowPass is a Butterworth low-pass, by the bilinear transform of its analogue poles, in
// sections.
func lowPass(x []float64, hz float64, poles, rate int) {
	k := math.Tan(math.Pi * hz / float64(rate))
	for s := 0; s < poles/2; s++ {
		q := 1 / (2 * math.Cos(math.Pi*float64(2*s+1+poles%2)/float64(2*poles)))
		d := 1 + k/q + k*k
		var x1, x2, y1, y2 float64
		for n, v := range x {
			y := (k*k*(v+2*x1+x2) - 2*(k*k-1)*y1 - (1-k/q+k*k)*y2) / d
			x2, x1, y2, y1 = x1, v, y1, y
			x[n] = y
		}
	}
	if poles%2 == 1 {
		x1, y1 := 0.0, 0.0
		for n, v := range x {
			y := (k*(v+x1) - (k-1)*y1) / (1 + k)
			x1, y1 = v, y
			x[n] = y
		}
	}
}

// Devices without another rate are not called resampled: low-passes of any order, the filter of
// a converter at its own rate, hum with harmonics, undithered integers, distortion, the line
// comb of a digital bus, another clock.
func TestDevicesOfOneRateAreNotCalledResampled(t *testing.T) {
	cases := 1
	if dsptest.IsExhaustive() {
		cases = 90
	}
	random := rand.New(rand.NewPCG(5, 15))
	for n := range cases {
		rate := []int{48000, 44100, 96000}[random.IntN(3)]
		poles, hz := 1+random.IntN(12), 3000*math.Pow(7.3, random.Float64())
		bits, noiseDBFS := []int{16, 24}[random.IntN(2)], -130+60*random.Float64()
		kind, ppm := n%6, 50*random.Float64()-25
		signal := []stimulus.Signal{
			stimulus.Tone{Hz: []float64{997, 1000, 440, 6000}[random.IntN(4)], PeakDBFS: -60 * random.Float64(), Seconds: 1.5},
			stimulus.Silence{Seconds: 1.5}, stimulus.Sweep{FromHz: 10, ToHz: 20500, Seconds: 2, PeakDBFS: -10},
		}[random.IntN(3)]
		if kind == 3 && noiseDBFS > -95 {
			noiseDBFS = -110
		}
		found := resamplingFinding(t, signal, rate, func(x []float64) []float64 {
			switch kind {
			case 0: // noise before the filter
				addNoise(x, noiseDBFS, uint64(n))
				lowPass(x, hz, poles, rate)
			case 1: // the filter of a converter, from 0.45 to 0.55 of its rate
				addNoise(x, noiseDBFS, uint64(n))
				x = converted(x, float64(rate), float64(rate), sincOver(32, 0.98))
			case 2: // hum with all its harmonics, and a comb of 1 kHz beside the tone
				for i := range x {
					t, u := float64(i)/float64(rate), x[i]
					for k := 1; k < 100; k++ {
						x[i] += 1e-4 / float64(k) * math.Sin(2*math.Pi*50*float64(k)*t)
					}
					for k := 1; k < 20; k++ {
						x[i] += 1e-4 * u * math.Sin(2*math.Pi*1000*float64(k)*t)
					}
				}
			case 3: // undithered words
			case 4: // harmonics
				for i, v := range x {
					x[i] = v - 0.1*v*v*v + 0.05*v*v
				}
			case 5: // lines anywhere
				for range 30 {
					f, a := float64(rate)/2*random.Float64(), 1e-4*random.Float64()
					for i := range x {
						x[i] += a * math.Sin(2*math.Pi*f*float64(i)/float64(rate))
					}
				}
			}
			if kind != 0 && kind != 1 {
				addNoise(x, min(noiseDBFS, -95), uint64(n))
			}
			if n%2 == 0 { // another clock is no other rate
				x = converted(x, 1e6, 1e6+ppm, sincOver(64, 1))
			}
			rounded(x, bits)
			return x
		})
		if found != "" {
			t.Errorf("case %d: kind %d, %d poles at %.0f Hz, %d Hz, %d bits, noise %.0f dBFS, %s: %s", n, kind, poles, hz, rate, bits, noiseDBFS, stimulus.Describe(signal), found)
		}
	}
}

// A clipped tone has harmonics that fold back to the places of images: at 44.1 kHz, the 47th
// and 49th of 1 kHz to those of 48 kHz.
func TestClippedToneIsNotCalledResampled(t *testing.T) {
	cuts := []float64{0.7}
	if dsptest.IsExhaustive() {
		cuts = []float64{0.3, 0.5, 0.6, 0.7, 0.8, 0.9, 0.97}
	}
	tone := stimulus.Tone{Hz: 1000, PeakDBFS: -20, Seconds: 1.5}
	for n, cut := range cuts {
		for _, asymmetry := range []float64{1, 0.8} {
			found := resamplingFinding(t, tone, 44100, func(x []float64) []float64 {
				for i, v := range x {
					x[i] = max(-0.1*cut*asymmetry, min(v, 0.1*cut))
				}
				addNoise(x, -110, uint64(n))
				rounded(x, 24)
				return x
			})
			if found != "" {
				t.Errorf("cut at %g of the peak, %g below: %s", cut, asymmetry, found)
			}
		}
	}
}
