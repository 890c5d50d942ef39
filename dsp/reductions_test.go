package dsp_test

import (
	"math"
	"slices"
	"testing"

	"github.com/boothbench/boothbench/dsp"
)

// Stages with a time-varying gain report their largest reduction: equal to that of
// their trace, and 0 after a reset.
func TestReductions(t *testing.T) {
	compressor, err := dsp.NewCompressor(dsp.CompressorSettings{ThresholdDBFS: -30, Ratio: 4, KneeDB: 6, AttackMs: 5, ReleaseMs: 100, MakeupDB: 9, DetectorWindowMs: 10}, 48000, 2)
	if err != nil {
		t.Fatal(err)
	}
	expander, err := dsp.NewExpander(dsp.ExpanderSettings{ThresholdDBFS: -20, Ratio: 2, RangeDB: 15, AttackMs: 1, ReleaseMs: 100, DetectorWindowMs: 10}, 48000, 2)
	if err != nil {
		t.Fatal(err)
	}
	deEsser, err := dsp.NewDeEsser(dsp.DeEsserSettings{CentreHz: 6500, Q: 2, ThresholdDBFS: -60, Ratio: 3, RangeDB: 6, AttackMs: 1, ReleaseMs: 30, KeyLowHz: 4000, KeyHighHz: 9000}, 48000, 2)
	if err != nil {
		t.Fatal(err)
	}
	for _, stage := range []interface {
		dsp.GainTracer
		ReductionDB() float64
	}{compressor, expander, deEsser} {
		b := speechlike(48000, 48000)
		gain := dsp.NewBlock(2, 48000)
		stage.ProcessTraced(b, gain)
		lowest := 1.0
		for _, plane := range gain {
			lowest = min(lowest, slices.Min(plane))
		}
		if got, want := stage.ReductionDB(), -dsp.AmplitudeToDB(lowest); math.Abs(got-want) > 1e-9 || got < 1 {
			t.Errorf("%T: %g dB, its trace has %g", stage, got, want)
		}
		stage.Reset()
		if got := stage.ReductionDB(); got != 0 {
			t.Errorf("%T: %g dB after a reset", stage, got)
		}
	}
}
