package dsp

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// The twin weights every square of the window, 2·half·group − 1 frames long.
// The grouped form is the same number in exact arithmetic, so that only
// rounding may differ.
func TestMeanSquareAgainstBruteForce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		group := 1 << rapid.IntRange(0, 5).Draw(t, "log2 of group")
		half := rapid.IntRange(1, 20).Draw(t, "half")
		x := rapid.SliceOfN(rapid.Float64Range(-4, 4), group, 600).Draw(t, "x")
		m := newMeanSquare(half, group)
		length := half * group
		for n := group - 1; n < len(x); n += group {
			m.take(x[n-group+1 : n+1])
			want := 0.0
			for k := 0; k < 2*length-1 && k <= n; k++ {
				want += x[n-k] * x[n-k] * float64(min(k+1, 2*length-1-k))
			}
			want /= float64(length * length)
			if got := m.turn(); math.Abs(got-want) > 1e-12*(1+want) {
				t.Fatalf("half %d groups of %d, frame %d: mean square %.17g, want %.17g", half, group, n, got, want)
			}
		}
	})
}

func TestMeanSquareOfTwoChannelsIsThatOfEach(t *testing.T) {
	x, y := sine(0.7, 313, 480, 48000), sine(0.2, 3000, 480, 48000)
	together, alone := [2]meanSquare{newMeanSquare(5, 16), newMeanSquare(5, 16)}, [2]meanSquare{newMeanSquare(5, 16), newMeanSquare(5, 16)}
	for from := 0; from < 480; from += 16 {
		takeBoth(&together[0], &together[1], x[from:from+16], y[from:from+16])
		alone[0].take(x[from : from+16])
		alone[1].take(y[from : from+16])
		for c := range alone {
			if got, want := together[c].turn(), alone[c].turn(); got != want {
				t.Fatalf("channel %d, frame %d: %g together, %g alone", c, from, got, want)
			}
		}
	}
}
