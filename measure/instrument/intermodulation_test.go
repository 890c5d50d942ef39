package instrument

import (
	"math"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure/internal/measuretest"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Products of polynomials of two tones have closed forms (products of cosines). 1e-5 dB: the
// digits of the printed reference values.
func TestIntermodulationOfPolynomials(t *testing.T) {
	square := curve(func(x float64) float64 { return x + 0.1*x*x })
	cubic := curve(func(x float64) float64 { return x + 0.05*x*x*x })
	for name, tones := range map[string]stimulus.TwinTone{"AES17": stimulus.ModulationTonesAES17(0), "SMPTE": stimulus.ModulationTonesSMPTE(0)} {
		if name != "AES17" && !dsptest.IsExhaustive() {
			continue
		}
		r := run(t, square, ModulationDistortion{Tones: tones}, 48000)
		// Sidebands of 0.1·0.8·0.2 against 0.2: 0.08 each.
		measuretest.WantReading(t, r, "modulation_distortion2_percent", 16, 1e-5)
		measuretest.WantReading(t, r, "modulation_distortion2_db", -15.9176, 1e-4)
		measuretest.WantReading(t, r, "modulation_distortion_aes17_db", -18.9279, 1e-4)
		if got, _ := r.Get("modulation_distortion3_db"); got.Measurable() && got.Value > -200 {
			t.Errorf("%s: a square has no product of the third order: %v", name, got)
		}
		r = run(t, cubic, ModulationDistortion{Tones: tones}, 48000)
		// 0.05·(3/4)·0.8²·0.2 each, against 0.2 + 0.05·(3/2·0.8²·0.2 + 3/4·0.2³).
		a := 0.05 * 0.75 * 0.64 * 0.2
		b := 0.2 + 0.05*(1.5*0.64*0.2+0.75*0.008)
		measuretest.WantReading(t, r, "modulation_distortion3_percent", 100*2*a/b, 1e-5)
	}
	for _, tones := range dsptest.Some(1, []stimulus.TwinTone{stimulus.DifferenceTonesAES17(0), stimulus.DifferenceTonesIEC(0)}) {
		r := run(t, square, DifferenceDistortion{Tones: tones}, 96000)
		measuretest.WantReading(t, r, "difference_distortion2_percent", 2.5, 1e-5)
		measuretest.WantReading(t, r, "difference_distortion_aes17_db", -26.0206, 1e-4)
		r = run(t, cubic, DifferenceDistortion{Tones: tones}, 96000)
		// Each product 0.05·(3/4)·0.5³ against 0.5 + 0.05·(9/4)·0.5³.
		a, b := 0.05*0.75*0.125, 0.5+0.05*2.25*0.125
		measuretest.WantReading(t, r, "difference_distortion3_percent", 100*a/b, 1e-5)
		measuretest.WantReading(t, r, "difference_distortion_aes17_db", -37.7912, 1e-4)
	}
	r := run(t, cubic, DifferenceDistortion{Tones: stimulus.DifferenceTonesAES17(0)}, 44100)
	if got, _ := r.Get("difference_distortion_aes17_db"); !strings.Contains(got.Bound, "22000 Hz") {
		t.Errorf("the band at 22 kHz is not said to be cut off: %q", got.Bound)
	}
	r = run(t, cubic, DifferenceDistortion{Tones: stimulus.TwinTone{LowHz: 20000, HighHz: 21500, Ratio: 1, Seconds: 3}}, 44100)
	measuretest.WantReason(t, r, "difference_distortion3_db", "23000 Hz")
	r = run(t, curve(func(float64) float64 { return 0 }), DifferenceDistortion{Tones: stimulus.DifferenceTonesAES17(0)}, 44100)
	measuretest.WantReason(t, r, "difference_distortion2_db", "silence")
}

// Noise does not count as products: a clean device through a 16-bit converter reads only the
// noise in the lines' bandwidth, far below the total noise.
func TestIntermodulationInNoise(t *testing.T) {
	r := run(t, converter(2), ModulationDistortion{Tones: stimulus.ModulationTonesSMPTE(-1)}, 48000)
	if got, _ := r.Get("modulation_distortion_aes17_db"); got.Value > -110 {
		t.Errorf("a clean device reads %v", got)
	}
	measuretest.WantReading(t, r, "high_tone_dbfs", -1+20*math.Log10(0.2), 0.001)
}
