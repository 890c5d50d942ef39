package dsp

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest/reference"
)

// TestLimitedStaysUnderWhenResampled: scipy.signal.resample_poly, a reconstructor
// from outside, reads the verified limiter's output at the other rate of the two
// in use, within 0.1 dB of the ceiling. The material is limited to 16 kHz, which
// the resampler's own filter leaves alone; 0.1 dB is its ripple.
func TestLimitedStaysUnderWhenResampled(t *testing.T) {
	folder := t.TempDir()
	program := "out = []\n"
	type one struct {
		name string
		rate int
	}
	var all []one
	for _, rate := range []int{44100, 48000} {
		up, down := 147, 160
		if rate == 44100 {
			up, down = down, up
		}
		for _, driveDB := range []float64{6, 24} {
			for name, x := range resampledSignals(rate) {
				v, err := NewVerifiedLimiter(LimiterSettings{CeilingDBTP: -1, DriveDB: driveDB, LookaheadMs: 3}, rate, 1)
				if err != nil {
					t.Fatal(err)
				}
				x = append(x, make([]float64, v.Latency())...)
				v.Process(Block{x})
				raw := make([]byte, 0, 8*len(x))
				for _, s := range x {
					raw = binary.LittleEndian.AppendUint64(raw, math.Float64bits(s))
				}
				path := filepath.Join(folder, fmt.Sprint(len(all)))
				if err := os.WriteFile(path, raw, 0o600); err != nil {
					t.Fatal(err)
				}
				all = append(all, one{fmt.Sprintf("%s, drive %g dB", name, driveDB), rate})
				program += fmt.Sprintf("out.append(float(np.abs(signal.resample_poly(np.fromfile(%q), %d, %d)).max()))\n", path, up, down)
			}
		}
	}
	var peaks []float64
	reference.Scipy(t, program+"print(json.dumps(out))", &peaks)
	for i, peak := range peaks {
		over := AmplitudeToDB(peak) + 1
		if over > 0.1 || over < -1 { // far under, it would not be at work
			t.Errorf("%s at %d Hz, resampled: %+.4f dB over the ceiling", all[i].name, all[i].rate, over)
		}
		t.Logf("%s at %d Hz, resampled: %+.4f dB over the ceiling", all[i].name, all[i].rate, over)
	}
}

// resampledSignals have nothing above 16 kHz, their ends included: the samples
// reach about 1.
func resampledSignals(rate int) map[string][]float64 {
	const frames = 6000
	rng := rand.New(rand.NewPCG(5, uint64(rate)))
	sines := func(topHz float64, n int) []float64 {
		x := make([]float64, frames)
		for range n {
			step, phase := 2*math.Pi*topHz*rng.Float64()/float64(rate), 7*rng.Float64()
			for k := range x {
				edge := math.Sin(math.Pi * float64(k) / frames)
				x[k] += edge * edge * math.Sin(step*float64(k)+phase) / math.Sqrt(float64(n))
			}
		}
		return x
	}
	return map[string][]float64{"noise to 16 kHz": sines(16000, 150), "noise to 4 kHz": sines(4000, 60), "a chord": sines(1500, 4)}
}
