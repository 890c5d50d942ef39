package dsp

import (
	"math"
	"testing"
)

// steadyGain is a stage's gain in dB at the end of 0.3 s of a steady tone.
func steadyGain(p GainTracer, tone []float64) float64 {
	g := gainsOf(p, tone)
	return g[len(g)-1]
}

// Steady tones through the whole stage come out by the tables worked by hand,
// and by the paper's formula in steps of 1 dB from −80 to 0 dBFS, within
// 0.01 dB: on sines with both detectors, on a square wave, whose peak is its
// RMS. What is left is the ripple of the RMS reading; the peak reading of a
// tone is exact, also where the rate is a near multiple of it (2999 Hz) or the
// samples straddle each crest (a quarter turn off at 6 kHz).
func TestStaticCurves(t *testing.T) {
	const rate, frames = 48000, 48000 * 3 / 10
	const threshold, ratio, knee = -20, 4, 6
	const under, expand, rangeDB = -40, 2, 60
	tones := map[string]func(level float64) []float64{
		"square, 1 kHz":   func(level float64) []float64 { return square(fromDB(level), frames, rate) },
		"sine, 100 Hz":    func(level float64) []float64 { return sine(fromDB(level), 100, frames, rate) },
		"sine, 1 kHz":     func(level float64) []float64 { return sine(fromDB(level), 1000, frames, rate) },
		"sine, 2999 Hz":   func(level float64) []float64 { return sine(fromDB(level), 2999, frames, rate) },
		"sine, 6 kHz off": func(level float64) []float64 { return shifted(fromDB(level), 6000, 0.5, frames, rate) },
		"sine, 10 kHz":    func(level float64) []float64 { return sine(fromDB(level), 10_007, frames, rate) },
	}
	for name, tone := range tones {
		for _, kind := range []DetectorKind{Peak, RMS} {
			crest := 0.0 // what the detector reads under the peak
			if kind == RMS && name != "square, 1 kHz" {
				crest = 10 * math.Log10(2)
			}
			c := mustCompressor(t, CompressorSettings{ThresholdDBFS: threshold, Ratio: ratio, KneeDB: knee, AttackMs: 1, ReleaseMs: 5, Detector: kind, DetectorWindowMs: 20}, rate, 1)
			e := mustExpander(t, ExpanderSettings{ThresholdDBFS: under, Ratio: expand, KneeDB: knee, RangeDB: rangeDB, AttackMs: 1, ReleaseMs: 5, Detector: kind, DetectorWindowMs: 20}, rate, 1)
			check := func(stage string, p GainTracer, read, want float64) {
				t.Helper()
				p.Reset()
				if got := steadyGain(p, tone(read+crest)); math.Abs(got-want) > 0.01 {
					t.Errorf("%s, detector %d, %s reading %g dBFS: gain %.4f dB, want %.4f", stage, kind, name, read, got, want)
				}
			}
			for _, v := range compressorKnee6 {
				check("compressor, table", c, v.level, v.gain)
			}
			for _, v := range expanderKnee6 {
				check("expander, table", e, v.level, v.gain)
			}
			if !exhaustive() {
				continue
			}
			for level := -80.0; level <= 0; level++ {
				check("compressor", c, level, paperGain(level, threshold, ratio, knee))
				check("expander", e, level, mirroredGain(level, under, expand, knee))
			}
		}
	}
}

// paperGain is the gain in dB by Giannoulis, Massberg, Reiss, JAES 60(6) 2012,
// eq. 4, as printed, minus the input.
func paperGain(x, threshold, ratio, width float64) float64 {
	y := x
	switch {
	case 2*math.Abs(x-threshold) <= width:
		y = x + (1/ratio-1)*(x-threshold+width/2)*(x-threshold+width/2)/(2*width)
	case 2*(x-threshold) > width:
		y = threshold + (x-threshold)/ratio
	}
	return y - x
}

// mirroredGain is the expander's by the same construction.
func mirroredGain(x, threshold, ratio, width float64) float64 {
	y := x
	switch {
	case 2*math.Abs(x-threshold) <= width:
		y = x - (ratio-1)*(x-threshold-width/2)*(x-threshold-width/2)/(2*width)
	case 2*(x-threshold) < -width:
		y = threshold + ratio*(x-threshold)
	}
	return y - x
}
