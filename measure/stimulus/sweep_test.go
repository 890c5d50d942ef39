package stimulus

import (
	"math"
	"math/cmplx"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"github.com/boothbench/boothbench/dsp"
)

// Farina 2000 and Novak 2015, computed for 5 s from 20 Hz to 20 kHz: L, and the times by which
// the harmonics precede (closed forms L·ln n; L = T/ln 1000, and 14 turns of 20 Hz).
func TestSweepGrowthAndHarmonicAdvance(t *testing.T) {
	f := Sweep{FromHz: 20, ToHz: 20000, Seconds: 5}
	s := SynchronisedSweep{FromHz: 20, ToHz: 20000, Seconds: 5}
	for name, c := range map[string][2]float64{
		"L":                 {f.Growth(), 0.72382413650542},
		"second":            {f.HarmonicAdvance(2), 0.50171665944},
		"third":             {f.HarmonicAdvance(3), 0.795202091199},
		"synchronised L":    {s.Growth(), 0.7},
		"synchronised T":    {s.trueSeconds(), 4.83542869529},
		"synchronised 2nd":  {s.HarmonicAdvance(2), 0.485203026392},
		"synchronised 3rd":  {s.HarmonicAdvance(3), 0.769028602068},
		"length of 2 is L2": {Sweep{FromHz: 10, ToHz: 20, Seconds: 3}.HarmonicAdvance(2), 3},
	} {
		if math.Abs(c[0]-c[1]) > 1e-11 {
			t.Errorf("%s: %.13f s, want %.13f", name, c[0], c[1])
		}
	}
}

// The sweep's frequency is f1·e^(t/L): its samples agree with that closed form.
func TestSweepAgainstClosedForm(t *testing.T) {
	const rate = 48000
	s := Sweep{FromHz: 20, ToHz: 20000, Seconds: 5, PeakDBFS: 0}
	block, err := s.Make(rate)
	if err != nil {
		t.Fatal(err)
	}
	l := 5 / math.Log(1000)
	for _, n := range []int{1000, 48000, 123456, 200000} {
		want := math.Sin(2 * math.Pi * 20 * l * (math.Exp(float64(n)/rate/l) - 1))
		// The argument is up to 1e5 rad; its rounding is 1e-11.
		if math.Abs(block[0][n]-want) > 1e-10 {
			t.Errorf("frame %d: %.12f, want %.12f", n, block[0][n], want)
		}
	}
}

// The sweep convolved with its inverse filter is an impulse of gain 1 (Farina 2000). Its
// spectrum is flat over the middle of the band, apart from the ripple of the ends.
func TestSweepTimesInverseFilterIsAnImpulse(t *testing.T) {
	const rate = 48000
	s := Sweep{FromHz: 20, ToHz: 20000, Seconds: 5, PeakDBFS: -20}
	block, _ := s.Make(rate)
	inverse, err := s.inverse(rate)
	if err != nil {
		t.Fatal(err)
	}
	const length = 1 << 19
	fft := fourier.NewFFT(length)
	spectrum := func(x []float64) []complex128 {
		padded := make([]float64, length)
		copy(padded, x)
		return fft.Coefficients(nil, padded)
	}
	a, b := spectrum(block[0]), spectrum(inverse)
	for _, band := range []struct{ low, high, limit float64 }{
		{100, 10000, 0.25}, // half of the ripple of 0.40 dB peak to peak of a sweep without fades
		{500, 5000, 0.1},
	} {
		for k := int(band.low * length / rate); k < int(band.high*length/rate); k++ {
			if db := 20 * math.Log10(cmplx.Abs(a[k]*b[k])); math.Abs(db) > band.limit {
				t.Fatalf("%.1f Hz: %.3f dB, want 0 ± %g", float64(k)*rate/length, db, band.limit)
			}
		}
	}
	product := make([]complex128, len(a))
	for k := range a {
		product[k] = a[k] * b[k] / length
	}
	impulse := fft.Sequence(nil, product)
	peak := 0
	for n, v := range impulse {
		if math.Abs(v) > math.Abs(impulse[peak]) {
			peak = n
		}
	}
	if peak != len(inverse)-1 {
		t.Errorf("the impulse lies at frame %d, want %d", peak, len(inverse)-1)
	}
}

// Novak 2015, section 4: for y = x + a2·x² + a3·x³ and a sweep of peak 1, the responses at the
// harmonics are |H1| = 1 + 3·a3/4, |H2| = a2/2, |H3| = a3/4, each at its own time before the
// linear one.
func TestSynchronisedSweepSeparatesHarmonics(t *testing.T) {
	const rate, length = 96000, 1 << 20
	const a2, a3 = 0.1, 0.05
	s := SynchronisedSweep{FromHz: 20, ToHz: 15000, Seconds: 6, PeakDBFS: 0}
	block, err := s.Make(rate)
	if err != nil {
		t.Fatal(err)
	}
	padded := make([]float64, length)
	for n, x := range block[0] {
		padded[n] = x + a2*x*x + a3*x*x*x
	}
	fft := fourier.NewFFT(length)
	bins := fft.Coefficients(nil, padded)
	bins[0] = 0
	for k := 1; k < len(bins); k++ {
		bins[k] *= s.inverseSpectrum(float64(k)*rate/length, rate) / length
	}
	h := fft.Sequence(nil, bins)
	for n, want := range map[int]float64{1: 1 + 3*a3/4, 2: a2 / 2, 3: a3 / 4} {
		// A stretch of 4096 frames around the place of the harmonic, faded in and out.
		centre := length - int(math.Round(s.HarmonicAdvance(n)*rate))
		const half = 2048
		cut := make([]float64, 2*half)
		for i := range cut {
			cut[i] = h[(centre-half+i+length)%length] * (0.5 - 0.5*math.Cos(math.Pi*float64(i)/half))
		}
		spectrum := fourier.NewFFT(2*half).Coefficients(nil, cut)
		for _, hz := range []float64{3000, 5000, 9000} {
			bin := int(hz * 2 * half / rate)
			got := spectrum[bin]
			if bin%2 == 1 { // the stretch begins at −half, which is half a turn per bin
				got = -got
			}
			if n > 1 { // its place lies between frames
				got = complex(cmplx.Abs(got), 0)
			}
			// 0.5 %: the inverse is that of an infinite sweep.
			if cmplx.Abs(got/complex(want, 0)-1) > 0.005 {
				t.Errorf("harmonic %d at %g Hz: %.6f, want %.6f", n, hz, got, want)
			}
		}
	}
}

// inverse is the inverse filter at a rate in Hz: the sweep reversed, with a level that falls by
// 6 dB an octave of the sweep. The sweep convolved with it is an impulse at the last frame of
// the sweep. Its gain over the band is 1, apart from the ripple of the sweep's ends, 0.4 dB
// from peak to peak for 5 s.
func (s Sweep) inverse(rate int) ([]float64, error) {
	block, err := s.Make(rate)
	if err != nil {
		return nil, err
	}
	sweep := block[0]
	inverse := make([]float64, len(sweep))
	for n := range inverse {
		falling := dsp.Exp2(-float64(n) / float64(rate) / s.Growth() * math.Log2E)
		inverse[n] = sweep[len(sweep)-1-n] * falling
	}
	// The spectrum of a sweep of peak A is A·√(L/f)/2 per second, and that of its inverse is
	// f/f2 of it: their product, in frames, is A²·L·fs²/(4·f2).
	peak := dsp.DBToAmplitude(s.PeakDBFS)
	fs := float64(rate)
	scale(inverse, 4*s.ToHz/(peak*peak*s.Growth()*fs*fs))
	return inverse, nil
}

// inverseSpectrum is the inverse filter's gain at a frequency between the sweep's ends, for
// sound at a rate in Hz (equation 51, there per second of a sweep of peak 1). Multiplied by a
// response's discrete Fourier transform it gives the device's.
func (s SynchronisedSweep) inverseSpectrum(hz float64, rate int) complex128 {
	growth := s.Growth()
	turns := math.Mod(hz*growth*(1-ln(hz/s.FromHz)), 1)
	gain := 2 * math.Sqrt(hz/growth) / float64(rate) / dsp.DBToAmplitude(s.PeakDBFS)
	return cmplx.Rect(gain, math.Pi/4-float64(2*math.Pi*turns))
}
