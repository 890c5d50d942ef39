package instrument

import (
	"fmt"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"math"
	"testing"
)

// burst468 is a burst of 5 kHz of some ms, repeated or single (everyMs is 0).
func burst468(rate int, ms, everyMs, seconds, polarity float64) []float64 {
	x := make([]float64, int(seconds*float64(rate)))
	for n := range x {
		at := float64(n)*1000/float64(rate) - 20
		if everyMs > 0 && at >= 0 {
			at = math.Mod(at, everyMs)
		}
		if at >= 0 && at < ms-1e-9 {
			x[n] = polarity * math.Sin(2*math.Pi*5*at)
		}
	}
	return x
}

// Rec. ITU-R BS.468-4, Table 2 (single bursts) and Table 3 (repeated bursts of
// 5 ms), in % of the steady tone's reading, with the Recommendation's own limits.
func TestQuasiPeakAgainstBS468(t *testing.T) {
	dsptest.Exhaustive(t)
	for _, rate := range []int{44100, 48000, 96000} {
		steady := quasiPeak(burst468(rate, 1e9, 0, 3, 1), rate, 0)
		check := func(name string, x []float64, low, high float64) {
			if got := 100 * quasiPeak(x, rate, 0) / steady; got < low || got > high {
				t.Errorf("%d Hz, %s: %.1f %%, accepted %g to %g %%", rate, name, got, low, high)
			}
		}
		for ms, limits := range map[float64][2]float64{
			1: {13.5, 21.4}, 2: {22.4, 31.6}, 5: {34, 46}, 10: {41, 55}, 20: {44, 60}, 50: {50, 68}, 100: {58, 78}, 200: {68, 92},
		} {
			check(fmt.Sprintf("single burst of %g ms", ms), burst468(rate, ms, 0, 0.5, 1), limits[0], limits[1])
		}
		for perSecond, limits := range map[float64][2]float64{2: {43, 53}, 10: {72, 82}, 100: {94, 100}} {
			check(fmt.Sprintf("%g bursts a second", perSecond), burst468(rate, 5, 1000/perSecond, 3, 1), limits[0], limits[1])
		}
		// 2.4: reversed polarity reads the same within 0.5 dB.
		a, b := quasiPeak(burst468(rate, 5, 0, 0.5, 1), rate, 0), quasiPeak(burst468(rate, 5, 0, 0.5, -1), rate, 0)
		if math.Abs(20*math.Log10(a/b)) > 0.5 {
			t.Errorf("%d Hz: reversed polarity reads %.2f dB off", rate, 20*math.Log10(a/b))
		}
		// 2.3: bursts of 0.6 ms over a range of 20 dB are read in proportion.
		short := burst468(rate, 0.6, 0, 0.5, 1)
		full := quasiPeak(short, rate, 0)
		for n := range short {
			short[n] /= 10
		}
		if off := 20 * math.Log10(10*quasiPeak(short, rate, 0)/full); math.Abs(off) > 1 {
			t.Errorf("%d Hz: 20 dB less reads %.2f dB off", rate, off)
		}
	}
}

// 2.6: a steady sine of 1 kHz reads its rms; other frequencies read Table 1's response. 0.06
// dB: the table has one decimal, and the peak detector's ripple is 0.005 dB.
func TestQuasiPeakOfSteadySines(t *testing.T) {
	const rate = 48000
	for hz, want := range map[float64]float64{1000: 0, 6300: 12.2, 12500: 0, 200: -13.8} {
		x := make([]float64, 3*rate)
		for n := range x {
			x[n] = 0.1 * math.Sin(2*math.Pi*hz*float64(n)/rate)
		}
		if got := 20 * math.Log10(quasiPeak(x, rate, rate)/(0.1/math.Sqrt2)); math.Abs(got-want) > 0.06 {
			t.Errorf("%g Hz reads %.3f dB, want %.1f", hz, got, want)
		}
	}
}

// A quarter of the rate, sampled at its peaks and between them: the reading must not depend on
// where the samples lie. Without the peaks between samples it would differ by 3 dB.
func TestQuasiPeakIncludesPeaksBetweenSamples(t *testing.T) {
	const rate = 48000
	reading := func(turns float64) float64 {
		x := make([]float64, 2*rate)
		for n := range x {
			x[n] = math.Cos(2 * math.Pi * (float64(n%4)/4 + turns))
		}
		return quasiPeak(x, rate, rate)
	}
	// Four times the rate still misses up to 20 log10 cos(π/16) = 0.17 dB.
	if off := 20 * math.Log10(reading(0)/reading(1.0/8)); math.Abs(off) > 0.17 {
		t.Errorf("%.3f dB apart", off)
	}
}
