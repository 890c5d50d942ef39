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

// Curves of compressors, limiters and expanders with a range: knees from 0 to 12 dB, steps of
// 1, 2 and 3 dB, and noise that is the same at every level in dB or in amplitude. 95 of 100
// knees are within the stated bounds, and so are thresholds and slopes.
func TestCurveBoundsIncludeTheTrueValues(t *testing.T) {
	curves := 6
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
			if absolute { // like an output's noise, which depends on its distance below the level
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
		// With two steps within the knee and little noise, the knee has narrow bounds.
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
		// Three standard deviations of a binomial distribution below 95 %.
		if float64(inside) < 0.95*n-3*math.Sqrt(n*0.95*0.05)-1 {
			t.Errorf("%s: %d of %.0f are within what is stated", key, inside, n)
		}
	}
}

// Very fine steps take no more work than steps of 1 dB, and the true values are within the
// stated bounds.
func TestCurveBoundsWithVeryFineSteps(t *testing.T) {
	random := rand.New(rand.NewPCG(6, 1))
	curves, finest := 1, 0.04
	if dsptest.IsExhaustive() {
		curves, finest = 12, 0.01
	}
	inside, all := 0, 0
	for range curves {
		want := curveSide{thresholdDBFS: -34 + 8*random.Float64(), kneeDB: 8 * random.Float64(), slope: 0.3 + 0.6*random.Float64()}
		evaluations := map[float64]int{}
		for _, step := range []float64{1, finest} {
			var points []CurvePoint
			for n := range int(58/step) + 1 {
				level := -60 + step*float64(n)
				noise := func() float64 { return 0.01 * random.NormFloat64() }
				points = append(points, CurvePoint{InDBFS: level, OutDBFS: level - want.fall(level, false) + noise(), UnsettledDB: math.Abs(math.Sqrt2 * noise())})
			}
			fit := fitCurve(points)
			p := fit.sideProfile(points, false)
			b := p.bounds()
			evaluations[step] = p.evaluations
			if step == 1 {
				continue
			}
			for _, x := range []struct {
				span span
				want float64
			}{{b.kneeDB, want.kneeDB}, {b.thresholdDBFS, want.thresholdDBFS}, {b.slope, want.slope}} {
				all++
				if x.want >= x.span.low && x.want <= x.span.high {
					inside++
				} else {
					t.Logf("%+v: %v is not within %+v", want, x.want, x.span)
				}
				// The fall of a corner differs from that of a knee of 0.4 dB by slope·0.4/8 dB
				// within the knee: noise of 0.01 dB hides that.
				if x.span.high-x.span.low > 0.5 {
					t.Errorf("%+v: %v for %v: steps of %g dB with noise of 0.01 dB leave less open", want, x.span, x.want, finest)
				}
			}
		}
		// The ratio of the two search spacings: a quarter of 1 dB to the finest, 1/16 dB.
		if evaluations[finest] > 4*evaluations[1] {
			t.Errorf("%d evaluations for steps of %g dB, %d for 1 dB", evaluations[finest], finest, evaluations[1])
		}
		t.Log(evaluations)
	}
	if float64(inside) < 0.95*float64(all)-1.5 {
		t.Errorf("%d of %d are within what is stated", inside, all)
	}
}
