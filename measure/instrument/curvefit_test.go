package instrument

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
)

// The points of a curve that is known are fitted with what it was made of, also where
// most of them lie within the knee. Once the fit stayed where it was begun: a curve of
// ratio 7.17 and a knee of 2.27 dB read 8.80 and 3.02.
func TestFitFindsTheCurve(t *testing.T) {
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
