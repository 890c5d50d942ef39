package dsp

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// The hold counts from the last moment at which the gain was held down: after tones of
// 80 Hz to 12 kHz that drop by 40 dB at random moments, with both detectors and windows
// of 3 to 40 ms, the release begins no sooner than the hold, and no later than the hold
// and the detector's window, each to within 0.5 ms and half a period of the tone.
func TestHoldAfterTones(t *testing.T) {
	const rate, cases = 48000, 200
	rng := rand.New(rand.NewPCG(12, 2))
	early, late := []float64{}, []float64{}
	for i := range cases {
		hz := 80 * math.Pow(150, rng.Float64())
		windowMs, holdMs := 3+37*rng.Float64(), 20+80*rng.Float64()
		detector := []DetectorKind{Peak, RMS}[i%2]
		drop := Frames(250, rate) + rng.IntN(Frames(100, rate))
		x := sine(0.5, hz, drop+Frames(holdMs+2*windowMs+40, rate), rate)
		for n := drop; n < len(x); n++ {
			x[n] *= 0.01
		}
		var p GainTracer
		if i/2%2 == 0 {
			p = mustCompressor(t, CompressorSettings{ThresholdDBFS: -30, Ratio: 4, AttackMs: 1, HoldMs: holdMs, ReleaseMs: 20, Detector: detector, DetectorWindowMs: windowMs}, rate, 1)
		} else {
			p = mustExpander(t, ExpanderSettings{ThresholdDBFS: -20, Ratio: 3, RangeDB: 30, AttackMs: 1, HoldMs: holdMs, ReleaseMs: 20, Detector: detector, DetectorWindowMs: windowMs}, rate, 1)
		}
		g := gainsOf(p, x)
		held := slices.Max(g[drop-Frames(20, rate) : drop])
		if i/2%2 == 0 { // a compressor's release raises the gain, an expander's lowers it
			held += 0.01
		} else {
			held = slices.Min(g[drop-Frames(20, rate):drop]) - 0.01
		}
		at := drop
		for at < len(g) && (g[at] <= held) == (i/2%2 == 0) {
			at++
		}
		after := float64(at-drop)*1000/rate - holdMs // ms
		early, late = append(early, after), append(late, after-windowMs)
		if grain := 0.5 + 500/hz; after < -grain || after > windowMs+grain {
			t.Errorf("%.0f Hz, detector %v of %.1f ms, hold %.1f ms: the release begins %.2f ms after the hold, want %.2f to %.2f", hz, detector, windowMs, holdMs, after, -grain, windowMs+grain)
		}
	}
	t.Logf("%d cases: the release begins at the soonest %.2f ms after the hold, at the latest %.2f ms after hold and window", cases, slices.Min(early), slices.Max(late))
}
