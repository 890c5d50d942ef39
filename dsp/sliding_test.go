package dsp

import (
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
		got := append([]float64(nil), x...)
		for rest := got; len(rest) > 0; {
			n := rapid.IntRange(1, len(rest)).Draw(t, "block")
			biggest.process(rest[:n])
			rest = rest[n:]
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
	biggest.process(x)
	if got := x[len(x)-1]; got != 0 {
		t.Errorf("a window of zeros after loud sound has the maximum %g", got)
	}
}
