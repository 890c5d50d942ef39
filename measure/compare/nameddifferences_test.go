package compare

import (
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// spoken is a short recorded voice.
func spoken(t *testing.T) (dsp.Block, int) {
	t.Helper()
	sound, rate := testsound.ReadTake(t, "harbour-street.wav")
	return dsp.Block{sound[0][:1<<18]}, rate
}

// The corner of a low-pass and of a high-pass without any slope (bins of one transform
// set to 0) is read to within 10 Hz, two of the comparison's own bins.
func TestSteepFiltersHaveTheirCorner(t *testing.T) {
	a, rate := spoken(t)
	for _, c := range []struct {
		kind Kind
		hz   float64
	}{{LowPass, 7000}, {LowPass, 4321}, {HighPass, 400}} {
		fft := fourier.NewFFT(len(a[0]))
		bins := fft.Coefficients(nil, a[0])
		for k := range bins {
			if hz := float64(k) * float64(rate) / float64(len(a[0])); hz > c.hz == (c.kind == LowPass) {
				bins[k] = 0
			}
		}
		b := dsp.Block{testsound.Times(fft.Sequence(nil, bins), 1/float64(len(a[0])))}
		all, summary := listed(t, a, b, rate)
		found := false
		for _, d := range all {
			found = found || d.Kind == c.kind && math.Abs(d.Hz-c.hz) < 10
		}
		if !found {
			t.Errorf("%s at %g Hz: %s", c.kind, c.hz, summary)
		}
	}
}

// What a change of response and a named offset or tone do not explain is what is left
// without them.
func TestNamedSoundIsNotUnexplained(t *testing.T) {
	a, rate := spoken(t)
	b := testsound.CopyOf(a)
	dsp.NewCascade([]dsp.Biquad{dsp.CookbookBell(2000, 4, 1, float64(rate))}, 1).Process(b)
	for n := range b[0] {
		b[0][n] += 0.003 + 0.003*math.Sin(2*math.Pi*1234.5*float64(n)/float64(rate))
	}
	all, summary := listed(t, a, b, rate)
	if k := kindsOf(all); !strings.Contains(k, "offset") || !strings.Contains(k, "tone") || !strings.Contains(k, "band") {
		t.Error(summary)
	}
	for _, d := range all {
		if d.Kind == Rest && d.Value > -80 { // the offset and the tone have -50 and -53 dBFS
			t.Errorf("a remaining difference of %.1f dBFS: %s", d.Value, summary)
		}
	}
}

// A fade to silence has no dropout at its end; a level that differs at first is stated
// with its end.
func TestFadesAndStepsInWords(t *testing.T) {
	a, rate := spoken(t)
	n := len(a[0])
	out, step := testsound.CopyOf(a), testsound.CopyOf(a)
	for k := range out[0] {
		out[0][k] *= math.Min(1, math.Max(0, float64(n-k)/float64(n/2)))
		if k < n/2 {
			step[0][k] *= dsp.DBToAmplitude(-6)
		}
	}
	all, summary := listed(t, a, out, rate)
	if k := kindsOf(all); strings.Contains(k, "dropout") || !strings.Contains(k, "fade") {
		t.Errorf("a fade to silence: %s", summary)
	}
	_, summary = listed(t, a, step, rate)
	if !strings.Contains(summary, "dB quieter until about 00:00:0") || !strings.Contains(summary, "louder than before from about 00:00:0") {
		t.Error(summary)
	}
}
