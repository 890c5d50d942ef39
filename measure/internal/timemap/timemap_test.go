package timemap

import (
	"math"
	"math/rand/v2"
	"testing"
)

// A constant delay reads what the same delay reads frame by frame, also beyond both ends,
// and a whole one reads the samples as they are. Tolerance:
// frame numbers up to 600 round a place by 6e-14 frames, and the slope there is up to 10.
func TestConstantDelayReadsLikeFrameByFrame(t *testing.T) {
	rng := rand.New(rand.NewPCG(81, 82))
	x := make([]float64, 700)
	for n := range x {
		x[n] = rng.NormFloat64()
	}
	for range 200 {
		m := Map{Delay: 100 * rng.NormFloat64(), Speed: 1}
		if rng.IntN(4) == 0 {
			m.Delay = math.Round(m.Delay)
		}
		from := rng.IntN(300) - 100
		want := make([]float64, 1+rng.IntN(600))
		m.Read(x, from, want, Sinc().Half(), Sinc().At)
		for n, v := range m.Resample(x, from, from+len(want)) {
			if math.Abs(v-want[n]) > 1e-12 {
				t.Fatalf("delay %g, frame %d: %g, one by one %g", m.Delay, from+n, v, want[n])
			}
			if k := from + n + int(m.Delay); m.Delay == math.Trunc(m.Delay) && k >= 0 && k < len(x) && v != x[k] {
				t.Fatalf("whole delay %g, frame %d: %g, the sample is %g", m.Delay, from+n, v, x[k])
			}
		}
	}
}
