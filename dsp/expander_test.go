package dsp

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Noise whose level lies at the threshold does not make the expander chatter.
// Counted: how often a second it opens or closes.
func TestExpanderDoesNotChatter(t *testing.T) {
	const rate, seconds = 48000, 20
	rng := rand.New(rand.NewPCG(4, 5))
	x := make([]float64, seconds*rate)
	low, level := 0.0, 0.0
	for n := range x {
		low += 0.05 * (rng.Float64() - 0.5 - low) // falls with frequency, as room noise does
		x[n] = low
		level += low * low
	}
	rms := 10 * math.Log10(level/float64(len(x)))
	changes := func(hysteresis, hold float64) float64 {
		// Immediate, so that the gain is 1 while it is open and only then.
		e := mustExpander(t, ExpanderSettings{ThresholdDBFS: rms + 1, Ratio: 2, RangeDB: 12, HysteresisDB: hysteresis, HoldMs: hold, Detector: RMS, DetectorWindowMs: 20}, rate, 1)
		g, count := gainsOf(e, x), 0
		for n := 1; n < len(g); n++ {
			if (g[n] == 0) != (g[n-1] == 0) {
				count++
			}
		}
		return float64(count) / seconds
	}
	bare, hysteresis, hold, both := changes(0, 0), changes(3, 0), changes(0, 60), changes(3, 60)
	t.Logf("changes a second: %.2f bare, %.2f with 3 dB of hysteresis, %.2f with 60 ms of hold, %.2f with both", bare, hysteresis, hold, both)
	if bare < 10 {
		t.Errorf("%.1f changes a second bare: not noise to test with", bare)
	}
	if hysteresis > bare/2 || hold > bare/2 || both > 0.2 {
		t.Errorf("changes a second: %.2f bare, %.2f with hysteresis, %.2f with hold, %.2f with both; want at most half, half, and 0.2", bare, hysteresis, hold, both)
	}
}

// A level that rises in steps follows the closed curve up to the opening level,
// the top of the knee; one that falls stays at 0 dB down to the hysteresis under
// it, and then follows the curve again.
func TestExpanderHysteresis(t *testing.T) {
	const rate, step = 48000, 48000 / 20
	const threshold, ratio, knee, rangeDB = -40, 3, 6, 30
	for _, hysteresis := range []float64{0, 4} {
		e := mustExpander(t, ExpanderSettings{ThresholdDBFS: threshold, Ratio: ratio, KneeDB: knee, RangeDB: rangeDB, HysteresisDB: hysteresis, Detector: Peak, DetectorWindowMs: 1}, rate, 1)
		open := false
		for _, level := range sweep(-70, -20, 0.7) {
			top := threshold + knee/2.0
			open = level >= top || open && level >= top-hysteresis
			want := 0.0
			if !open {
				want = max(-rangeDB, mirroredGain(level, threshold, ratio, knee))
			}
			if got := steadyGain(e, square(fromDB(level), step, rate)); math.Abs(got-want) > 1e-9 {
				t.Errorf("hysteresis %g dB, at %.1f dBFS: gain %.6f dB, want %.6f", hysteresis, level, got, want)
			}
		}
	}
}

// sweep goes up and down again.
func sweep(from, to, step float64) []float64 {
	var levels []float64
	for l := from; l <= to; l += step {
		levels = append(levels, l)
	}
	for l := to; l >= from; l -= step {
		levels = append(levels, l)
	}
	return levels
}
