package dsp

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// gainAt is a curve's gain in dB at a level in dBFS.
type gainAt struct{ level, gain float64 }

// Giannoulis, Massberg, Reiss, JAES 60(6) 2012, eq. 4, worked by hand for
// T = −20 dB, R = 4, W = 6 dB.
var compressorKnee6 = []gainAt{
	{-80, 0}, {-60, 0}, {-24, 0}, {-23, 0}, {-22.5, -0.015625}, {-22, -0.0625}, {-21, -0.25}, {-20, -0.5625}, {-19, -1},
	{-18, -1.5625}, {-17, -2.25}, {-16, -3}, {-12, -6}, {-10, -7.5}, {-6, -10.5}, {-3, -12.75}, {0, -15},
}

// The same with a hard knee.
var compressorKnee0 = []gainAt{
	{-80, 0}, {-60, 0}, {-20, 0}, {-19, -0.75}, {-18, -1.5}, {-17, -2.25}, {-16, -3}, {-12, -6}, {-10, -7.5}, {-6, -10.5}, {-3, -12.75}, {0, -15},
}

// R = ∞ (1/R = 0, the paper's limiter) with T = −1 dB, W = 4 dB.
var limitingKnee4 = []gainAt{{-80, 0}, {-3, 0}, {-2, -0.125}, {-1, -0.5}, {0, -1.125}, {1, -2}, {5, -6}}

// The expander by the same construction, worked by hand for T = −40 dB, R = 2,
// W = 6 dB. It has no published table.
var expanderKnee6 = []gainAt{
	{-80, -40}, {-60, -20}, {-50, -10}, {-46, -6}, {-43, -3}, {-42, -25.0 / 12}, {-41, -4.0 / 3}, {-40, -0.75}, {-39, -1.0 / 3}, {-38, -1.0 / 12}, {-37, 0}, {0, 0},
}

var expanderKnee0 = []gainAt{
	{-80, -40}, {-60, -20}, {-50, -10}, {-46, -6}, {-43, -3}, {-42, -2}, {-41, -1}, {-40, 0}, {-39, 0}, {0, 0},
}

func TestCurvesAgainstThePaper(t *testing.T) {
	for _, c := range []struct {
		name string
		gain func(level float64) float64
		want []gainAt
	}{
		{"compressor, knee 6 dB", func(l float64) float64 { return -compressorCurve(l, -20, 4, 6) }, compressorKnee6},
		{"compressor, hard knee", func(l float64) float64 { return -compressorCurve(l, -20, 4, 0) }, compressorKnee0},
		{"infinite ratio, knee 4 dB", func(l float64) float64 { return -compressorCurve(l, -1, math.Inf(1), 4) }, limitingKnee4},
		{"expander, knee 6 dB", func(l float64) float64 { return -expanderCurve(l, -40, 2, 6) }, expanderKnee6},
		{"expander, hard knee", func(l float64) float64 { return -expanderCurve(l, -40, 2, 0) }, expanderKnee0},
	} {
		for _, v := range c.want {
			if got := c.gain(v.level); math.Abs(got-v.gain) > 1e-12 { // rounding of dB values up to 80
				t.Errorf("%s: gain %.15g dB at %g dBFS, want %.15g", c.name, got, v.level, v.gain)
			}
		}
	}
}

// A curve never attenuates less further past the threshold, has no step and no
// slope beyond its own, and no level makes it NaN.
func TestCurvesAreMonotonic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ratio := rapid.Float64Range(1, 50).Draw(t, "ratio")
		knee := rapid.Float64Range(0, 30).Draw(t, "knee")
		level := rapid.Float64Range(-150, 50).Draw(t, "level")
		step := rapid.Float64Range(0, 3).Draw(t, "step")
		// Levels and thresholds up to 180 dB are rounded to 3e-14 dB, and an
		// attenuation, up to 50 times that, to its own last places.
		rounding := func(attenuation float64) float64 { return 1e-12*ratio + 4e-16*attenuation }
		lower, upper := compressorCurve(level, -30, ratio, knee), compressorCurve(level+step, -30, ratio, knee)
		if rise := upper - lower; lower < 0 || rise < -rounding(upper) || rise > (1-1/ratio)*step+rounding(upper) {
			t.Errorf("compressor: %g dB, and %g dB more %g dB up", lower, rise, step)
		}
		upper, lower = expanderCurve(level+step, -30, ratio, knee), expanderCurve(level, -30, ratio, knee)
		if rise := lower - upper; upper < 0 || rise < -rounding(lower) || rise > (ratio-1)*step+rounding(lower) {
			t.Errorf("expander: %g dB, and %g dB more %g dB down", upper, rise, step)
		}
	})
	for _, ratio := range []float64{1, 2, math.Inf(1)} {
		for _, knee := range []float64{0, 6} {
			for _, level := range []float64{math.Inf(-1), -400, -30, 0, 400} {
				c, e := compressorCurve(level, -30, ratio, knee), expanderCurve(level, -30, ratio, knee)
				if !(c >= 0) || !(e >= 0) || math.IsInf(c, 0) {
					t.Errorf("ratio %g, knee %g dB, level %g dBFS: compressor %g dB, expander %g dB", ratio, knee, level, c, e)
				}
			}
		}
	}
}
