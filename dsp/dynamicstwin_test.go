package dsp

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// Skipping whole cells changes no bit: frame by frame, where nothing can be
// skipped, gives the same. Times are a few frames, and levels few and lasting
// up to two cells, so that every corner of the rules is met.
func TestSkippedCellsAgainstSingleFrames(t *testing.T) {
	const rate = 8000
	rapid.Check(t, func(t *rapid.T) {
		var x []float64
		for range rapid.IntRange(1, 30).Draw(t, "levels") {
			level := rapid.SampledFrom([]float64{0, 0.001, 0.05, 0.09, 0.11, 0.2, 0.5}).Draw(t, "level")
			frames := rapid.SampledFrom([]int{1, 2, 3, 5, 9, 17, 30, 64, 100, 128}).Draw(t, "frames")
			x = append(x, slices.Repeat([]float64{level}, frames)...)
		}
		time := rapid.SampledFrom([]float64{0, 0.01, 0.02, 0.05, 0.3}) // so short that gains arrive
		attack, hold, release := time.Draw(t, "attack"), rapid.SampledFrom([]float64{0, 0.5, 2}).Draw(t, "hold"), time.Draw(t, "release")
		window := rapid.SampledFrom([]float64{0.125, 1}).Draw(t, "window")
		for name, p := range map[string]GainTracer{
			"compressor": mustCompressor(t, CompressorSettings{ThresholdDBFS: -20, Ratio: 3, AttackMs: attack, HoldMs: hold, ReleaseMs: release, Detector: Peak, DetectorWindowMs: window}, rate, 1),
			"expander":   mustExpander(t, ExpanderSettings{ThresholdDBFS: -20, Ratio: 3, RangeDB: 12, HysteresisDB: 1, AttackMs: attack, HoldMs: hold, ReleaseMs: release, Detector: Peak, DetectorWindowMs: window}, rate, 1),
			"rms":        mustCompressor(t, CompressorSettings{ThresholdDBFS: -20, Ratio: 3, AttackMs: attack, HoldMs: hold, ReleaseMs: release, Detector: RMS, DetectorWindowMs: 8}, rate, 1),
		} {
			whole, single := NewBlock(1, len(x)), NewBlock(1, len(x))
			p.ProcessTraced(Block{slices.Clone(x)}, whole)
			p.Reset()
			for n := range x {
				p.ProcessTraced(Block{{x[n]}}, Block{single[0][n : n+1]})
			}
			for n := range x {
				if whole[0][n] != single[0][n] {
					t.Fatalf("%s, frame %d, level %g: gain %.17g, frame by frame %.17g", name, n, x[n], whole[0][n], single[0][n])
				}
			}
		}
	})
}

// The reference computes one frame after the other what the settings' comments
// state, with package math: level over the window, the paper's curve, hold, one
// pole, gain. Levels are constant for four frames and more, so that no crest
// belongs to a tone.
func TestStagesAgainstFrameByFrame(t *testing.T) {
	const rate, frames, window = 8000, 40_000, 80
	const threshold, ratio, knee, rangeDB, hysteresis = -30, 3, 6, 24, 3
	const attack, release = 2, 30
	rng := rand.New(rand.NewPCG(8, 8))
	x := make([]float64, frames)
	for n, left, level := 0, 0, 0.0; n < frames; n++ {
		if left--; left < 0 {
			left, level = 4+int(math.Exp(7*rng.Float64())), fromDB(-60*rng.Float64())
		}
		x[n] = level
	}
	levels := make([]float64, frames)
	for n := range levels {
		levels[n] = toDB(slices.Max(x[max(0, n-window+1) : n+1]))
	}
	pole := func(a, target, ms float64) float64 {
		a = target + (a-target)*math.Exp(-1000/(ms*rate))
		if math.Abs(a-target) < 1e-7 {
			return target // arrived, as smoother's comment says
		}
		return a
	}
	for _, hold := range []float64{0, 5} {
		c := mustCompressor(t, CompressorSettings{ThresholdDBFS: threshold, Ratio: ratio, KneeDB: knee, AttackMs: attack, HoldMs: hold, ReleaseMs: release, Detector: Peak, DetectorWindowMs: 10}, rate, 1)
		e := mustExpander(t, ExpanderSettings{ThresholdDBFS: threshold, Ratio: ratio, KneeDB: knee, RangeDB: rangeDB, HysteresisDB: hysteresis, AttackMs: attack, HoldMs: hold, ReleaseMs: release, Detector: Peak, DetectorWindowMs: 10}, rate, 1)
		compressed, expanded := gainsOf(c, x), gainsOf(e, x)
		a := 0.0
		targets := make([]float64, frames)
		b, open, stays := float64(rangeDB), false, 0
		for n, level := range levels {
			targets[n] = -paperGain(level, threshold, ratio, knee)
			if held := slices.Max(targets[max(0, n-int(hold*rate/1000)) : n+1]); held >= a {
				a = pole(a, held, attack)
			} else {
				a = pole(a, held, release)
			}
			const top = threshold + knee/2.0
			switch {
			case level >= top || open && level >= top-hysteresis:
				open, stays = true, int(hold*rate/1000)
			case open && stays > 0:
				stays--
			default:
				open = false
			}
			target := 0.0
			if !open {
				target = min(rangeDB, -mirroredGain(level, threshold, ratio, knee))
			}
			if target > b { // closing
				b = pole(b, target, release)
			} else {
				b = pole(b, target, attack)
			}
			// Rounding of dB values, and of arrivals a frame apart.
			if math.Abs(compressed[n]+a) > 1e-6 || math.Abs(expanded[n]+b) > 1e-6 {
				t.Fatalf("hold %g ms, frame %d, level %g dBFS: gains %.8f and %.8f dB, want %.8f and %.8f", hold, n, level, compressed[n], expanded[n], -a, -b)
			}
		}
	}
}
