package dsp

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// What is held is the largest of the targets within the hold, or of those up to a
// grain older, however the targets are cut into stretches.
func TestHeldTargetAgainstSlices(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hold := rapid.IntRange(1, 1000).Draw(t, "hold")
		h := newHeldTarget(hold, 48000)
		room := len(h.largest.queue)
		var all []float64
		for range rapid.IntRange(1, 80).Draw(t, "stretches") {
			target, step := float64(rapid.IntRange(0, 40).Draw(t, "target")), 0.0
			frames := rapid.IntRange(1, 90).Draw(t, "frames")
			if rapid.Bool().Draw(t, "falling") {
				step = 0.01
			}
			for frames > 0 {
				n := 1
				if step == 0 {
					n = rapid.IntRange(1, frames).Draw(t, "part")
				}
				target -= step
				h.push(target, n)
				all = append(all, slices.Repeat([]float64{target}, n)...)
				for at := len(all) - n; at < len(all); {
					got, stays := h.next(len(all) - at)
					for ; stays > 0; stays-- {
						within := slices.Max(all[max(0, at-hold) : at+1])
						older := slices.Max(all[max(0, at-hold-h.grain+1) : at+1])
						if got < within || got > older {
							t.Fatalf("frame %d, hold %d, grain %d: held %g, accepted %g to %g", at, hold, h.grain, got, within, older)
						}
						at++
					}
				}
				frames -= n
			}
			if h.largest.size > room {
				t.Fatalf("%d values wait in room for %d", h.largest.size, room)
			}
		}
	})
}

// Hold lasts as set after a steady tone that drops by 40 dB at any moment: for
// tones of 80 Hz to 12 kHz, both detectors, windows of 3 to 40 ms, holds of 1 to
// 200 ms. What may come on top is the detector's time: it falls within its window
// after the drop, and its last crest lies up to half a period before it. The
// release's beginning is where its exponential was at 0: the time at which 1/e
// of the change is left, less the time constant.
//
// Counting from the first frame at which the target falls instead, as a rule
// with a counter does, each rounding or ripple of a steady tone uses the hold up:
// measured, releases began 9 to 112 ms after the drop for 100 ms of hold.
func TestHoldLastsAfterAnyTone(t *testing.T) {
	const rate = 48000
	rng := rand.New(rand.NewPCG(12, 2))
	for range 200 {
		hz := 80 * math.Pow(150, rng.Float64())
		holdMs := math.Pow(200, rng.Float64())
		windowMs := 3 + 37*rng.Float64()
		attackMs, releaseMs := 0.1*math.Pow(100, rng.Float64()), 20*math.Pow(4, rng.Float64())
		kind := DetectorKind(rng.IntN(2))
		steady := Frames(windowMs+12*attackMs+300*rng.Float64(), rate)
		x := sine(0.5, hz, steady, rate)
		x = append(x, sine(0.005, hz, Frames(windowMs+holdMs+6*releaseMs+20, rate), rate)...)

		c := mustCompressor(t, CompressorSettings{ThresholdDBFS: -26, Ratio: 4, AttackMs: attackMs, HoldMs: holdMs, ReleaseMs: releaseMs,
			Detector: kind, DetectorWindowMs: windowMs}, rate, 1)
		e := mustExpander(t, ExpanderSettings{ThresholdDBFS: -20, Ratio: 3, RangeDB: 20, AttackMs: attackMs, HoldMs: holdMs, ReleaseMs: releaseMs,
			Detector: kind, DetectorWindowMs: windowMs}, rate, 1)
		half := 500 / hz
		for name, g := range map[string][]float64{"compressor": gainsOf(c, x), "expander": gainsOf(e, x)} {
			end := 0.0
			if name == "expander" {
				end = -20
			}
			at := steady
			for at < len(g) && (g[at]-end)/(g[steady-1]-end) > 1/math.E {
				at++
			}
			got := float64(at-steady)*1000/rate - releaseMs
			if !(got > holdMs-half-0.5 && got < holdMs+windowMs+half+0.5) {
				t.Errorf("%s, %v detector, window %.2f ms, tone %.1f Hz, attack %.2f ms, hold %.2f ms: the release begins %.2f ms after the drop",
					name, kind, windowMs, hz, attackMs, holdMs, got)
			}
		}
	}
}
