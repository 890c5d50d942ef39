package dsp

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// The twins look at every frame of the window. Whole numbers up to 2^20 are
// summed exactly, so that results must be the same.
func TestSlidingWindowsAgainstBruteForce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		window := rapid.IntRange(1, 70).Draw(t, "window")
		x := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) float64 {
			if rapid.IntRange(0, 2).Draw(t, "kind") == 0 {
				return 0
			}
			return float64(rapid.IntRange(0, 1<<20).Draw(t, "value"))
		}), 1, 300).Draw(t, "x")

		biggest, triangle := newSlidingMax(window), newSlidingTriangle(window)
		got := make([]float64, len(x))
		for from := 0; from < len(x); {
			to := from + rapid.IntRange(1, len(x)-from).Draw(t, "block")
			copy(got[from:to], slide(&biggest, x[from:to]))
			from = to
		}
		for n := range x {
			largest, sum := 0.0, 0.0
			for k := 0; k < window && k <= n; k++ {
				largest = max(largest, x[n-k])
			}
			for k := 0; k < 2*window-1 && k <= n; k++ {
				sum += x[n-k] * float64(min(k+1, 2*window-1-k))
			}
			if got[n] != largest {
				t.Fatalf("window %d, frame %d: maximum %g, want %g", window, n, got[n], largest)
			}
			if s := triangle.next(x[n]); s != sum {
				t.Fatalf("half window %d, frame %d: weighted sum %g, want %g", window, n, s, sum)
			}
		}
	})
}

func TestSlidingWindowsForget(t *testing.T) {
	const window = 48
	biggest, triangle := newSlidingMax(window), newSlidingTriangle(window)
	x := make([]float64, 10*window)
	for n := range x[:5*window] {
		x[n] = 1e12 / float64(n+3)
	}
	var last float64
	for _, v := range x {
		last = triangle.next(v)
	}
	if last != 0 {
		t.Errorf("a window of zeros after loud sound sums to %g", last)
	}
	if got := slide(&biggest, x)[len(x)-1]; got != 0 {
		t.Errorf("a window of zeros after loud sound has the maximum %g", got)
	}
}

// slide runs the maximum over a block.
func slide(s *slidingMax, x []float64) []float64 {
	bits := make([]uint64, len(x))
	var largest uint64
	for i, v := range x {
		bits[i] = math.Float64bits(v)
		largest = max(largest, bits[i])
	}
	if held, flat := s.held(len(x), largest); flat {
		s.pass(bits, largest)
		for i := range bits {
			bits[i] = held
		}
	} else {
		s.process(bits)
	}
	out := make([]float64, len(x))
	for i := range out {
		out[i] = math.Float64frombits(bits[i])
	}
	return out
}
