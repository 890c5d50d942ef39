package vector

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The assembly reads what the loop in Go reads, bit by bit, of rounded samples, of
// samples that rest, and of samples over full scale.
func TestSurveyBits(t *testing.T) {
	needAVX(t)
	rng := rand.New(rand.NewPCG(55, 56))
	for round := range 4000 {
		x := samples(rng, 2+rng.IntN(MostSurveyed), true)
		weights := samples(rng, MostSurveyed, true)
		scale := math.Exp2(float64(rng.IntN(40)))
		for n := range x {
			switch round % 4 {
			case 0: // whole numbers of few bits: many are equal
				x[n] = math.Round(x[n]*scale) / scale
			case 1: // over full scale here and there
				x[n] *= 1.5
			case 2: // at full scale
				x[n] = math.Copysign(1, x[n])
			}
		}
		got, want := surveyOf(x, weights, true), surveyOf(x, weights, false)
		if got != want && !math.IsNaN(want.Sum) && !math.IsNaN(want.Moves) {
			t.Fatalf("round %d, %d samples:\n%+v, in Go\n%+v", round, len(x)-1, got, want)
		}
	}
}

// The result is what the fields are documented to be, computed by loops of another shape.
func TestSurvey(t *testing.T) {
	x := []float64{0.25, 0.25, -1, 0.5, 0.5, 0.5, 0}
	weights := []float64{1, 2, 4, 8, 16, 32}
	got := SurveyOf(x, weights)
	want := Survey{Sum: 0.75, Squares: 1.8125, Steps: 1.25*1.25 + 2.25 + 0.25, Moves: 2.5 + 6 + 16, Least: -1, Most: 0.5, Equal: 0b011001, Used: 0xe << 28, Whole: true}
	if got != want {
		t.Errorf("found %+v, want %+v", got, want)
	}
	for _, v := range []float64{1, -1.5, math.Exp2(-32), 3 * math.Exp2(40)} {
		x[3] = v
		if SurveyOf(x, weights).Whole {
			t.Errorf("%g is taken for a whole number of 2^-31 within full scale", v)
		}
	}
}

func BenchmarkSurvey(b *testing.B) {
	x, w := samples(rand.New(rand.NewPCG(57, 58)), 49, true), make([]float64, 48)
	b.Run("assembly", func(b *testing.B) {
		needAVX(b)
		for b.Loop() {
			surveyOf(x, w, true)
		}
	})
	b.Run("Go", func(b *testing.B) {
		for b.Loop() {
			surveyOf(x, w, false)
		}
	})
}
