package dsp

import (
	"fmt"
	"math"
	"math/cmplx"
	"testing"
	"time"

	"github.com/boothbench/boothbench/dsp/dsptest/reference"
)

// Butterworth filters against scipy.signal.butter and sosfreqz: the same
// bilinear design, so the same response to 1e-12.
func TestButterworthAgainstScipy(t *testing.T) {
	var cases []struct {
		Kind         string
		Order        int
		Corner, Rate float64
		Frequencies  []float64
		Re, Im       []float64
	}
	reference.Scipy(t, `
out = []
for kind in ("highpass", "lowpass"):
    for order in range(1, 9):
        for corner, rate in ((80, 48000), (997, 44100), (60, 192000), (3000, 8000)):
            sos = signal.butter(order, corner, kind, fs=rate, output="sos")
            f = np.array([corner / 2, corner, corner * 1.2, rate * 0.45])
            w, h = signal.sosfreqz(sos, worN=f, fs=rate)
            out.append(dict(Kind=kind, Order=order, Corner=corner, Rate=rate, Frequencies=list(f), Re=list(h.real), Im=list(h.imag)))
print(json.dumps(out))`, &cases)
	for _, c := range cases {
		design := ButterworthHighPass
		if c.Kind == "lowpass" {
			design = ButterworthLowPass
		}
		cascade := NewCascade(design(c.Order, c.Corner, c.Rate), 1)
		for i, hz := range c.Frequencies {
			got, want := cascade.Response(hz, c.Rate), complex(c.Re[i], c.Im[i])
			// 1e-12 where the design is the same; a double zero or pole close
			// to z = 1 costs (rate/corner)² roundings on both sides.
			limit := 1e-12 + 1e-16*float64(c.Order)*math.Pow(c.Rate/c.Corner, 2)
			if cmplx.Abs(got-want) > limit {
				t.Errorf("%s, order %d, %g Hz at %g Hz: %v at %g Hz, scipy has %v", c.Kind, c.Order, c.Corner, c.Rate, got, hz, want)
			}
		}
	}
}

// The analogue prototypes of the equaliser against scipy.signal.freqs, and the
// Cookbook's sections against scipy.signal.bilinear of them.
func TestPrototypesAgainstScipy(t *testing.T) {
	var cases []struct {
		Shape        int
		Hz, Gain, Q  float64
		At, Analogue []float64 // Hz, dB
		B, A         []float64 // bilinear, prewarped to the centre
	}
	reference.Scipy(t, `
out = []
rate = 48000
for shape, gain, hz, q in ((0, 6, 1000, 1), (0, -9, 8000, 2.5), (1, 4, 120, 0.7), (1, -12, 2000, 0.5), (2, 5, 9000, 0.8), (2, -3, 4000, 1), (3, 0, 50, 10), (3, 0, 7000, 1)):
    A = 10 ** (gain / 40)
    num, den = {
        0: ([1, A / q, 1], [1, 1 / (A * q), 1]),
        1: ([A, A * A**.5 / q, A * A], [A, A**.5 / q, 1]),
        2: ([A * A, A * A**.5 / q, A], [1, A**.5 / q, A]),
        3: ([1, 0, 1], [1, 1 / q, 1])}[shape]
    f = np.array([20, 100, 0.9 * hz, 5000, 20000])
    w, h = signal.freqs(num, den, worN=f / hz)
    # s in units of the centre: prewarp so that the centre stays.
    b, a = signal.bilinear(num, den, fs=0.5 / np.tan(np.pi * hz / rate))
    out.append(dict(Shape=shape, Hz=hz, Gain=gain, Q=q, At=list(f), Analogue=list(20 * np.log10(abs(h))), B=list(b / a[0]), A=list(a / a[0])))
print(json.dumps(out))`, &cases)
	for _, c := range cases {
		b := newBand(BandShape(c.Shape), c.Hz, c.Gain, c.Q)
		for i, hz := range c.At {
			if got := 10 * math.Log10(newPrototype(b).gain(hz)); math.Abs(got-c.Analogue[i]) > 1e-9 {
				t.Errorf("%+v: prototype %.12g dB at %g Hz, scipy has %.12g", b, got, hz, c.Analogue[i])
			}
		}
		s := cookbookSection(b, 48000)
		for i, got := range []float64{s.B0, s.B1, s.B2} {
			if math.Abs(got-c.B[i]) > 1e-12 {
				t.Errorf("%+v: b%d is %.16g, scipy has %.16g", b, i, got, c.B[i])
			}
		}
		for i, got := range []float64{s.A1, s.A2} {
			if math.Abs(got-c.A[i+1]) > 1e-12 {
				t.Errorf("%+v: a%d is %.16g, scipy has %.16g", b, i+1, got, c.A[i+1])
			}
		}
	}
}

// BenchmarkCascadeAgainstScipy runs five sections over two minutes of mono
// sound, in turn with scipy.signal.sosfilt, and reports the ratio of the times:
// the goal is 0.6 or less.
func BenchmarkCascadeAgainstScipy(b *testing.B) {
	const frames = 120 * 48000
	var list []Biquad
	for i := range 5 {
		list = append(list, CookbookBell(100*float64(i+1), 3, 1, 48000))
	}
	c := NewCascade(list, 1)
	x := NewBlock(1, 1024)
	var ours, theirs time.Duration
	for b.Loop() {
		var seconds float64
		reference.Scipy(b, fmt.Sprintf(`
import time
sos = signal.iirfilter(10, 100, fs=48000, btype="highpass", output="sos")
x = np.sin(np.arange(%d) * 0.01)
best = 9e9
for _ in range(3):
    t = time.perf_counter()
    signal.sosfilt(sos, x)
    best = min(best, time.perf_counter() - t)
print(json.dumps(best))`, frames), &seconds)
		theirs += time.Duration(seconds * 1e9)
		best := time.Duration(math.MaxInt64)
		for range 3 {
			start := time.Now()
			for n := 0; n < frames; n += 1024 {
				x[0][0] = 0.5
				c.Process(x)
			}
			best = min(best, time.Since(start))
		}
		ours += best
	}
	b.ReportMetric(float64(ours)/float64(theirs), "ours/scipy")
	b.ReportMetric(float64(ours.Nanoseconds())/float64(b.N)/frames, "ns/sample")
}
