package take

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// The sample peak is the largest magnitude, of either sign, where it is first reached, in any
// channel and however blocks are cut.
func TestSamplePeakOfATake(t *testing.T) {
	rng := rand.New(rand.NewPCG(71, 72))
	for range 40 {
		channels := 1 + rng.IntN(3)
		x := make([][]float64, channels)
		want, frame, channel := 0.0, 0, 0
		for c := range x {
			x[c] = testsound.Noise(20000+rng.IntN(3000), 0.05, rng.Uint64())
			x[c] = x[c][:20000]
			if rng.IntN(2) == 0 {
				x[c][rng.IntN(20000)] = 0.9 * (2*float64(rng.IntN(2)) - 1) * (0.5 + rng.Float64()/2)
			}
			for n, v := range x[c] {
				if math.Abs(v) > want {
					want, frame, channel = math.Abs(v), n, c
				}
			}
		}
		in := inspectAt(t, 48000, x...)
		got, ok := in.Readings.Get("sample_peak_dbfs")
		if !ok || math.Abs(got.Value-20*math.Log10(want)) > 1e-9 || got.Frame != int64(frame) || got.Channel != channel {
			t.Errorf("%d channels: %+v, want %.9f dBFS at %d in channel %d", channels, got, 20*math.Log10(want), frame, channel)
		}
	}
}
