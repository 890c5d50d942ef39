package dsp

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Three samples of a sine give its amplitude, wherever they lie. Of two samples at nearly the
// same distance from the crest, rounding alone may decide which is the larger one, and a crest
// is only found at the larger: so the middle one is nearer by 2e-8 samples, which at the lowest
// angle is a difference of 2e-14 in level.
func TestCrestOfASine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		angle := rapid.Float64Range(0.001, 0.999*math.Pi/2).Draw(t, "radians a sample")
		amplitude := rapid.Float64Range(1e-9, 10).Draw(t, "amplitude") * rapid.SampledFrom([]float64{-1, 1}).Draw(t, "sign")
		phase := rapid.Float64Range(-0.5+1e-8, 0.5-1e-8).Draw(t, "samples from the crest") * angle
		at := func(n float64) float64 { return amplitude * math.Cos(phase+n*angle) }
		got, want := crest(at(-2), at(-1), at(0), at(1)), math.Abs(amplitude)
		if math.Abs(got-want) > 1e-9*want {
			t.Errorf("crest %.17g of amplitude %.17g", got, want)
		}
	})
}

// Whatever the samples, a crest lies between the middle one and 3 dB more.
func TestCrestIsBounded(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var s [4]float64
		for i := range s {
			s[i] = rapid.OneOf(rapid.Float64(), rapid.Float64Range(-1, 1), rapid.Just(0.5), rapid.Just(math.Inf(1)), rapid.Just(math.NaN())).Draw(t, "sample")
		}
		c, y := crest(s[0], s[1], s[2], s[3]), math.Abs(s[2])
		if c != 0 && !(c >= y && c <= y*mostCrest) {
			t.Errorf("crest %g of %g", c, s)
		}
	})
}

// What is no tone has no crest: a step of level of 3 dB and more, and what a
// square wave and a single sample do.
func TestOnlyTonesHaveCrests(t *testing.T) {
	for _, s := range [][4]float64{
		{0, 0, 1, 1}, {0.7, 0.7, 1, 1}, {1, 1, 1, 0.7}, {1, 1, 1, 0}, {1, 1, 1, -1}, {-1, 1, 1, 1}, {-1, -1, 1, 1}, {0, 0, 1, 0}, {1, 1, 1, 1}, {0, 0, 0, 0}, {1, 2, 3, 4},
	} {
		if c := crest(s[0], s[1], s[2], s[3]); c > s[2] {
			t.Errorf("samples %g: crest %g", s, c)
		}
	}
}

// The twin looks at every sample, crest and frame of the window, by the rule in
// peakHold's comment.
func TestPeakHoldAgainstBruteForce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		channels := rapid.IntRange(1, 3).Draw(t, "channels")
		window := rapid.IntRange(1, 60).Draw(t, "window")
		floor := rapid.SampledFrom([]float64{0, 0.1, 0.6}).Draw(t, "floor")
		frames := rapid.IntRange(1, 400).Draw(t, "frames")
		b := NewBlock(channels, frames)
		for c, plane := range b {
			angle, level := rapid.Float64Range(0.3, 2).Draw(t, "angle"), rapid.Float64Range(0.01, 1).Draw(t, "level")
			for n := range plane {
				if n%97 == 0 {
					level = rapid.SampledFrom([]float64{0, level, 0.3, 1}).Draw(t, "level")
				}
				plane[n] = level * math.Sin(angle*float64(n)+float64(c))
			}
		}
		p := newPeakHold(window, channels)
		p.ignore(floor)
		var got []float64
		for from := 0; from < frames; {
			to := min(frames, from+rapid.SampledFrom([]int{1, 1, 2, 5, 33, cell}).Draw(t, "block"))
			level := make([]uint64, to-from)
			flat := p.process(level, b, from, to)
			for i := range level {
				if flat {
					level[i] = level[0]
				}
				got = append(got, math.Float64frombits(level[i]))
			}
			from = to
		}

		at := func(c, n int) float64 {
			if n < 0 {
				return 0
			}
			return b[c][n]
		}
		var values []float64
		last := 0.0
		for n := range frames {
			value, before := 0.0, 0.0
			for c := range channels {
				value, before = max(value, math.Abs(at(c, n))), max(before, math.Abs(at(c, n-1)))
			}
			if before > max(floor, last)/mostCrest {
				for c := range channels {
					if math.Abs(at(c, n-1)) > math.Abs(at(c, n)) {
						value = max(value, crest(at(c, n-3), at(c, n-2), at(c, n-1), at(c, n)))
					}
				}
			}
			values = append(values, value)
			want := 0.0
			for _, v := range values[max(0, n-window+1):] {
				want = max(want, v)
			}
			if got[n] != want {
				t.Fatalf("window %d, floor %g, frame %d: level %.17g, want %.17g", window, floor, n, got[n], want)
			}
			last = want
		}
	})
}
