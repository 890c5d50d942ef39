package dsp

import (
	"math"
	"slices"
	"testing"
)

// timeConstant is the time in ms in which a gain in dB makes 1 − 1/e of its
// change from the frame at which the level steps, which counts as a whole
// period; between frames the exponential is interpolated.
func timeConstant(gain []float64, step, settled, rate int) float64 {
	before, after := gain[step-1], gain[settled]
	last := 1.0
	for k := 0; step+k < len(gain); k++ {
		rest := (gain[step+k] - after) / (before - after)
		if rest <= 1/math.E {
			u := 1.0
			if rest > 0 {
				u = math.Log(last*math.E) / math.Log(last/rest)
			}
			return (float64(k) + u) * 1000 / float64(rate)
		}
		last = rest
	}
	return math.NaN()
}

// Attack and release measure as set within 0.1 %, by the definition 1 − 1/e of
// the change in dB, from 0.1 to 500 ms, for steps of 3 to 40 dB.
func TestTimesMeasureAsSet(t *testing.T) {
	rates := []int{44100, 48000, 96000}
	times := []float64{0.1, 0.5, 1, 5, 20, 100, 500}
	steps := []float64{3, 6, 12, 20, 40}
	if !exhaustive() {
		rates, times, steps = rates[1:2], []float64{0.1, 5, 100}, []float64{3, 40}
	}
	for _, rate := range rates {
		for _, ms := range times {
			for _, step := range steps {
				if ms == 500 && rate != 48000 && step != 12 {
					continue // seconds of sound, and no other arithmetic than at 48 kHz
				}
				settle := int(max(20, 25*ms) * float64(rate) / 1000) // e^-25 of 40 dB is rounding
				window := Frames(10, rate)
				low, high := square(fromDB(-50), settle, rate), square(fromDB(-50+step), settle, rate)
				x := append(append(slices.Clone(low), high...), append(slices.Clone(low), low...)...)
				check := func(what string, got float64) {
					t.Helper()
					if !(math.Abs(got/ms-1) <= 0.001) {
						t.Errorf("%s of %g ms at %d Hz, step %g dB: measured %.6g ms", what, ms, rate, step, got)
					}
				}
				// All of the step lies on the slope of the curve.
				c := mustCompressor(t, CompressorSettings{ThresholdDBFS: -55, Ratio: 4, AttackMs: ms, ReleaseMs: ms, Detector: Peak, DetectorWindowMs: 10}, rate, 1)
				g := gainsOf(c, x)
				check("compressor's attack", timeConstant(g, settle, 2*settle-1, rate))
				// The release begins when the detector's window has passed.
				check("compressor's release", timeConstant(g, 2*settle+window-1, len(g)-1, rate))

				e := mustExpander(t, ExpanderSettings{ThresholdDBFS: -5, Ratio: 2, RangeDB: 100, AttackMs: ms, ReleaseMs: ms, Detector: Peak, DetectorWindowMs: 10}, rate, 1)
				g = gainsOf(e, x)
				check("expander's attack", timeConstant(g, settle, 2*settle-1, rate))
				check("expander's release", timeConstant(g, 2*settle+window-1, len(g)-1, rate))
			}
		}
	}
}

func TestHoldLastsAsSet(t *testing.T) {
	const rate = 48000
	x := append(square(0.5, rate/2, rate), square(0.001, rate/2, rate)...)
	for _, ms := range []float64{0, 1, 40, 150} {
		window := Frames(10, rate)
		want := rate/2 + window - 1 + Frames(ms, rate) // the first frame that moves
		c := mustCompressor(t, CompressorSettings{ThresholdDBFS: -20, Ratio: 2, HoldMs: ms, ReleaseMs: 50, Detector: Peak, DetectorWindowMs: 10}, rate, 1)
		e := mustExpander(t, ExpanderSettings{ThresholdDBFS: -20, Ratio: 2, RangeDB: 20, HoldMs: ms, ReleaseMs: 50, Detector: Peak, DetectorWindowMs: 10}, rate, 1)
		for name, g := range map[string][]float64{"compressor": gainsOf(c, x), "expander": gainsOf(e, x)} {
			at := rate / 2
			for at < len(g) && g[at] == g[rate/2-1] {
				at++
			}
			if at != want {
				t.Errorf("%s, hold %g ms: the gain moves at frame %d, want %d", name, ms, at, want)
			}
		}
	}
}
