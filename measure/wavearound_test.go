package measure

import (
	"math"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// A sine whose crests lie between the samples, as on a recording at a quarter of the
// rate (EBU Tech 3341, cases 15 to 18, have it): the samples are its values there, and
// what is between them is the sine.
func TestWaveAround(t *testing.T) {
	const rate, frames = 48000, 4000
	sine := func(at float64) float64 { return 0.9 * math.Sin(2*math.Pi*at/4+math.Pi/4) }
	x := make([]float64, frames)
	for i := range x {
		x[i] = sine(float64(i))
	}
	for _, frame := range []int64{2000, 700, 10, 0, frames - 1} {
		m := wave.NewMemory(wave.Unquantised(rate, 2), dsp.Block{make([]float64, frames), x})
		s, err := WaveAround(m, 1, frame, 32)
		if err != nil {
			t.Fatal(err)
		}
		if len(s.Samples) != 32 || len(s.Between) != 31*s.PerFrame+1 {
			t.Fatalf("%d samples and %d between; accepted: 32 and %d", len(s.Samples), len(s.Between), 31*s.PerFrame+1)
		}
		for i, v := range s.Samples {
			if n := s.Frame + int64(i); n < frames && v != x[n] || n >= frames && v != 0 {
				t.Fatalf("sample %d is %g", n, v)
			}
		}
		if frame < 200 || frame > frames-200 {
			continue // the sine begins and ends there: what is between the samples rings
		}
		for k, v := range s.Between {
			want := sine(float64(s.Frame) + float64(k)/float64(s.PerFrame))
			// What the windowed sinc is off by at a quarter of the rate: under 1e-5.
			if math.Abs(v-want) > 1e-5 {
				t.Fatalf("%d/%d of a frame from %d on is %g; accepted: %g", k, s.PerFrame, s.Frame, v, want)
			}
		}
	}
	for _, bad := range [][2]int{{2, 32}, {-1, 32}, {0, 1}} {
		if _, err := WaveAround(wave.NewMemory(wave.Unquantised(rate, 2), dsp.NewBlock(2, 100)), bad[0], 5, bad[1]); err == nil {
			t.Errorf("channel %d and %d frames have a wave", bad[0], bad[1])
		}
	}
}
