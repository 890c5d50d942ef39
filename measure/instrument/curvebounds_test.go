package instrument

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// Knees from 0 to 12 dB, at steps of 1, 2 and 3 dB, with noise that is the same at every
// level in dB or in amplitude, of compressors, limiters and expanders with a range: 95 of
// 100 lie within what is stated, and so do thresholds and slopes.
func TestBoundsOfCurves(t *testing.T) {
	curves := 15
	if dsptest.IsExhaustive() {
		curves = 300
	}
	random := rand.New(rand.NewPCG(15, 2))
	uniform := func(low, high float64) float64 { return low + (high-low)*random.Float64() }
	all := map[string][]bool{}
	for range curves {
		step, downwards := float64(1+random.IntN(3)), random.IntN(3) == 0
		noise, absolute := math.Exp(uniform(math.Log(1e-5), math.Log(0.01))), random.IntN(2) == 0
		want := curveSide{thresholdDBFS: uniform(-34, -26), kneeDB: uniform(0, 12), slope: uniform(0.25, 1)}
		switch random.IntN(4) {
		case 0:
			want.kneeDB = uniform(0, 2)
		case 1:
			want.slope = 1 // a limiter
		}
		if downwards {
			want.slope *= 3
			want.rangeDB = want.slope * (want.kneeDB/2 + 2*step + uniform(0, 6))
		}
		var points []CurvePoint
		for level := -65.0; level <= -2; level += step {
			p := CurvePoint{InDBFS: level, OutDBFS: level - want.fall(level, downwards)}
			sigma := noise
			if absolute { // as noise of an output, by how far its level lies over it
				sigma *= 0.01 * dsp.DBToAmplitude(-30-p.OutDBFS)
			}
			p.UnsettledDB = math.Abs(sigma * math.Sqrt2 * random.NormFloat64())
			p.OutDBFS += sigma * random.NormFloat64()
			points = append(points, p)
		}
		fit := fitCurve(points)
		side, of := fit.compression, "compression"
		if downwards {
			side, of = fit.expansion, "expansion"
		}
		if side == nil {
			t.Errorf("%+v: no %s", want, of)
			continue
		}
		b := fit.sideProfile(points, downwards).bounds()
		for _, x := range []struct {
			name string
			span span
			want float64
		}{{"knee", b.kneeDB, want.kneeDB}, {"threshold", b.thresholdDBFS, want.thresholdDBFS}, {"slope", b.slope, want.slope}} {
			inside := x.want >= x.span.low-1e-6 && x.want <= x.span.high+1e-6
			if !inside {
				t.Logf("%s: steps of %g dB, noise %.5f dB (absolute: %v), %+v: %s %.4f to %.4f", of, step, noise, absolute, want, x.name, x.span.low, x.span.high)
			}
			key := fmt.Sprintf("%s %s, steps of %g dB", of, x.name, step)
			all[key] = append(all[key], inside)
		}
		if b.openAbove {
			t.Errorf("%s: steps of %g dB, %+v: any knee is allowed", of, step, want)
		}
		// Two steps within the knee and little noise: the knee is read well.
		if noise < 0.001 && !absolute && want.kneeDB > 2.5*step && b.kneeDB.high-b.kneeDB.low > 0.2 {
			t.Errorf("%s: steps of %g dB, noise %.5f dB, %+v: knee %.4f to %.4f", of, step, noise, want, b.kneeDB.low, b.kneeDB.high)
		}
	}
	for _, key := range slices.Sorted(maps.Keys(all)) {
		inside := 0
		for _, is := range all[key] {
			if is {
				inside++
			}
		}
		n := float64(len(all[key]))
		t.Logf("%s: %d of %.0f inside", key, inside, n)
		// Three deviations of a binomial distribution under 95 %.
		if float64(inside) < 0.95*n-3*math.Sqrt(n*0.95*0.05)-1 {
			t.Errorf("%s: %d of %.0f are within what is stated", key, inside, n)
		}
	}
}
