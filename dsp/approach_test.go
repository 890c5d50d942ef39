package dsp

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func TestApproachAgainstMathExp2(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		goal, off := rapid.Float64Range(-300, 0).Draw(t, "goal"), rapid.Float64Range(-300, 0).Draw(t, "off")
		k := rapid.Float64Range(0, 1).Draw(t, "k")
		gain := make([]float64, 1+rapid.IntRange(0, 80).Draw(t, "frames"))
		left := approach(gain, goal, off, k)
		for _, g := range gain {
			off *= k
			want := math.Exp2(goal + off)
			// 9e-15 of the series, and rounding of the exponent, up to 600.
			if math.Abs(g/want-1) > 1e-14+600*0x1p-53 {
				t.Fatalf("2^%g: %g, want %g", goal+off, g, want)
			}
		}
		if left != off {
			t.Fatalf("%g left, want %g", left, off)
		}
	})
	one := make([]float64, 1)
	if approach(one, 0, 0, 0); one[0] != 1 {
		t.Errorf("no octaves are a gain of %g", one[0])
	}
}
