package instrument

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
)

// A fit of the points of a known curve finds its parameters, even where most points lie within
// the knee. A fit that stayed at its start once read a ratio of 8.80 and a knee of 3.02 dB, in
// place of 7.17 and 2.27.
func TestFitFindsThresholdAndSlope(t *testing.T) {
	seeds := uint64(12)
	if dsptest.IsExhaustive() {
		seeds = 50
	}
	for seed := range seeds {
		rng := rand.New(rand.NewPCG(seed, 1))
		between := func(low, high float64) float64 { return low + (high-low)*rng.Float64() }
		want := curveSide{thresholdDBFS: between(-50, -20), kneeDB: between(0, 15), slope: between(0.3, 10)}
		want.rangeDB = want.slope * (want.kneeDB/2 + between(1, 4)) // two steps or more between knee and range
		if seed == 0 {
			want = curveSide{thresholdDBFS: -28.69, kneeDB: 2.27, slope: 6.17, rangeDB: 12}
		}
		low := want.thresholdDBFS - want.rangeDB/want.slope - want.kneeDB/2 - 3
		var points []CurvePoint
		for level := low; level < want.thresholdDBFS+want.kneeDB/2+6; level += 0.5 {
			points = append(points, CurvePoint{InDBFS: level, OutDBFS: level - want.fall(level, true)})
		}
		fit := fitCurve(points)
		got := fit.expansion
		if got == nil {
			t.Fatalf("%+v: no expansion", want)
		}
		if math.Abs(got.thresholdDBFS-want.thresholdDBFS) > 0.01 || math.Abs(got.slope-want.slope) > 0.002*want.slope || fit.errorDB > 0.01 {
			t.Errorf("%+v: found %+v, %.4f dB off", want, *got, fit.errorDB)
		}
	}
}

// A device without a threshold, ratio and knee, or one that has not settled, has no curve: a
// gate that opens at once, and an automatic gain that climbs 3 dB in a step below its target.
func TestGatesAndMovingGainsHaveNoCurve(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 2))
	cases := 3
	if dsptest.IsExhaustive() {
		cases = 100
	}
	for range cases {
		gate, agc, noisy := []CurvePoint{}, []CurvePoint{}, []CurvePoint{}
		opens, rangeDB := -50+20*rng.Float64(), 3+30*rng.Float64()
		climb, gain := 0.4+0.6*rng.Float64(), 24.0
		for level := -60.0; level <= -20; level++ {
			g := 0.0
			if level < opens {
				g = -rangeDB
			}
			gate = append(gate, CurvePoint{InDBFS: level, OutDBFS: level + g})
			moved := climb
			if level+gain > -17 {
				moved = -climb
			}
			agc = append(agc, CurvePoint{level, level + gain + min(0, 2*(level+45)), climb, moved})
			n := 0.04 * rng.NormFloat64()
			fall := 2 * max(0, level+40) / 3
			noisy = append(noisy, CurvePoint{level, level - fall + n/math.Sqrt2, math.Abs(n), n})
		}
		r := StaticCurve{}.readings(gate, nil)
		for _, name := range []string{"expansion_threshold_dbfs", "expansion_ratio", "expansion_knee_db"} {
			if v, _ := r.Get(name); v.Measurable() {
				t.Errorf("a gate of %.1f dB at %.1f dBFS: %s is %v", rangeDB, opens, name, v)
			}
		}
		if v, _ := r.Get("expansion_range_db"); math.Abs(v.Value-rangeDB) > 1e-9 {
			t.Errorf("a range of %g dB reads %v", rangeDB, v)
		}
		r = StaticCurve{}.readings(agc, nil)
		if v, _ := r.Get("expansion_ratio"); v.Measurable() {
			t.Errorf("a gain that climbs reads %v", v)
		}
		r = StaticCurve{}.readings(noisy, nil)
		if v, _ := r.Get("compression_threshold_dbfs"); !v.Measurable() || math.Abs(v.Value+40) > 1 {
			t.Errorf("a compressor from -40 dBFS in noise reads %v", v)
		}
	}
}
