package takes

import (
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// Phrases are spoken phrases without their own pauses: between their sounds are exact
// zeros.
type Phrases struct {
	Rate  int // Hz
	Clips [][]float64
}

// The recordings that tests of speech use: Debian packages, installed where the
// references are (alsa-utils: eight spoken names at 48 kHz without a room;
// pocketsphinx-testdata: five public-domain readings at 16 kHz).
const (
	SpokenNames = "/usr/share/sounds/alsa/[FRS]*_*.wav"
	Readings    = "/usr/share/pocketsphinx/test/data/librivox/*.wav"
)

// Recorded reads the first channel of recordings, in the order of their names. Where
// they are not installed the test is skipped, unless BOOTHBENCH_REFERENCES is
// "required".
func Recorded(t testing.TB, pattern string) (clips [][]float64, rate int) {
	t.Helper()
	names, err := filepath.Glob(pattern)
	if err != nil {
		t.Fatal(err)
	}
	if len(names) == 0 {
		if os.Getenv("BOOTHBENCH_REFERENCES") == "required" {
			t.Fatalf("no recording is at %s", pattern)
		}
		t.Skipf("no recording is at %s", pattern)
	}
	for _, name := range names {
		r, err := wave.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		b := dsp.NewBlock(r.Format().Channels, int(r.Frames()))
		if n, err := r.Read(b); n != b.Frames() || err != nil && err != io.EOF {
			t.Fatal(name, n, err)
		}
		r.Close()
		clips, rate = append(clips, b[0]), r.Format().Rate
	}
	return clips, rate
}

// Spoken is the recordings as phrases.
func Spoken(t testing.TB, pattern string) Phrases {
	clips, rate := Recorded(t, pattern)
	p := Phrases{Rate: rate}
	for _, x := range clips {
		p.Clips = append(p.Clips, withoutPauses(x, rate))
	}
	return p
}

// withoutPauses removes the offset, sets to zero what is more than 30 dB below the loudest
// 50 ms, with ramps of 10 ms, and cuts zeros off both ends.
func withoutPauses(x []float64, rate int) []float64 {
	y := dsp.Block{slices.Clone(x)}
	dsp.NewCascade(dsp.ButterworthHighPass(4, 60, float64(rate)), 1).Process(y)
	hop := rate / 40
	var levels []float64
	for from := 0; from+2*hop <= len(x); from += hop {
		levels = append(levels, meanSquare(y[0][from:from+2*hop]))
	}
	least := slices.Max(levels) / 1000
	gain, step := 0.0, 1/(0.01*float64(rate))
	first, last := -1, 0
	for n := range y[0] {
		if k := min(n/hop, len(levels)-1); levels[k] > least || k > 0 && levels[k-1] > least {
			gain = min(1, gain+step)
		} else {
			gain = max(0, gain-step)
		}
		if y[0][n] *= gain; y[0][n] != 0 {
			if first < 0 {
				first = n
			}
			last = n
		}
	}
	return y[0][max(0, first) : last+1]
}

func meanSquare(x []float64) (sum float64) {
	for _, v := range x {
		sum += v * v
	}
	return sum / float64(max(1, len(x)))
}

// ActiveLevel is the power mean of the 50 ms frames within 30 dB of the loudest, in
// dBFS.
func ActiveLevel(x []float64, rate int) float64 {
	hop := rate / 40
	var levels []float64
	for from := 0; from+2*hop <= len(x); from += hop {
		levels = append(levels, meanSquare(x[from:from+2*hop]))
	}
	least, sum, count := slices.Max(levels)/1000, 0.0, 0.0
	for _, l := range levels {
		if l > least {
			sum, count = sum+l, count+1
		}
	}
	return 10 * math.Log10(sum/count)
}
