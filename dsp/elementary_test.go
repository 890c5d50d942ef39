package dsp

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The oracle is package math, whose functions are within 1 ulp or so.
func TestElementaryFunctionsAgreeWithMath(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	var worstExp, worstLog, worstNear, worstSin float64
	for range 200_000 {
		x := rng.Float64()*60 - 30
		worstExp = max(worstExp, math.Abs(Exp2(x)/math.Exp2(x)-1))
		y := math.Exp2(rng.Float64()*200 - 100)
		worstLog = max(worstLog, math.Abs(Log2(y)-math.Log2(y))/max(1, math.Abs(math.Log2(y))))
		z := 1 + (rng.Float64()-0.5)/64 // the slices next to 1
		worstNear = max(worstNear, math.Abs(Log2(z)-math.Log1p(z-1)*math.Log2E)/max(1e-3, math.Abs(z-1)))
		a := rng.Float64()*8 - 4
		sin, cos := SincosPi(a)
		r := math.Remainder(a, 2) * math.Pi
		worstSin = max(worstSin, math.Abs(sin-math.Sin(r)), math.Abs(cos-math.Cos(r)))
	}
	// A few units in the last place (2.2e-16) of ours and math's together.
	for _, c := range []struct {
		name         string
		worst, limit float64
	}{
		{"Exp2, relative", worstExp, 6e-16},
		{"Log2, absolute or relative", worstLog, 1e-15},
		{"Log2 near 1, relative to x-1", worstNear, 1e-15},
		{"SincosPi, absolute", worstSin, 1e-15}, // math.Sin's argument is itself rounded
	} {
		t.Logf("%s: %.2g", c.name, c.worst)
		if !(c.worst <= c.limit) {
			t.Errorf("%s: largest error %.3g, limit %.3g", c.name, c.worst, c.limit)
		}
	}
}

func TestElementarySpecialValues(t *testing.T) {
	for n := -1074; n <= 1023; n++ {
		want := math.Ldexp(1, n)
		if got := Exp2(float64(n)); got != want {
			t.Errorf("Exp2(%d) = %g, want %g", n, got, want)
		}
		if got := Log2(want); got != float64(n) {
			t.Errorf("Log2(2^%d) = %g", n, got)
		}
	}
	for _, c := range []struct{ got, want float64 }{
		{Exp2(2000), math.Inf(1)}, {Exp2(-2000), 0}, {Exp2(math.Inf(1)), math.Inf(1)}, {Exp2(math.Inf(-1)), 0},
		{Log2(0), math.Inf(-1)}, {Log2(-8), 3}, {Log2(math.Inf(1)), math.Inf(1)},
		{DBToAmplitude(0), 1}, {AmplitudeToDB(1), 0}, {AmplitudeToDB(0), math.Inf(-1)},
	} {
		if c.got != c.want {
			t.Errorf("got %g, want %g", c.got, c.want)
		}
	}
	if !math.IsNaN(Exp2(math.NaN())) || !math.IsNaN(Log2(math.NaN())) {
		t.Error("NaN does not stay NaN")
	}
	// −20 dB is a tenth (definition of the decibel).
	if got := DBToAmplitude(-20); math.Abs(got-0.1) > 1e-16 {
		t.Errorf("DBToAmplitude(-20) = %.17g", got)
	}
}

func BenchmarkExp2(b *testing.B) {
	x := make([]float64, 1024)
	for i := range x {
		x[i] = -float64(i) / 300
	}
	for b.Loop() {
		for i := range x {
			x[i] = Exp2(x[i]) - 1
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/1024, "ns/value")
}

func BenchmarkLog2(b *testing.B) {
	x := make([]float64, 1024)
	y := make([]float64, 1024)
	for i := range x {
		x[i] = float64(i+1) / 300
	}
	for b.Loop() {
		for i := range x {
			y[i] = Log2(x[i])
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/1024, "ns/value")
}
