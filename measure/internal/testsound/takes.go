package testsound

import (
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// CopyOf is a copy of a block.
func CopyOf(b dsp.Block) dsp.Block {
	out := make(dsp.Block, len(b))
	for c := range b {
		out[c] = append([]float64(nil), b[c]...)
	}
	return out
}

// Times is a copy of a plane, multiplied by a gain.
func Times(x []float64, gain float64) []float64 {
	out := make([]float64, len(x))
	for n, v := range x {
		out[n] = gain * v
	}
	return out
}

// Path is the path of a file in the module's testdata folder, from any folder of the module.
// An absolute name is returned unchanged.
func Path(t testing.TB, name string) string {
	t.Helper()
	if filepath.IsAbs(name) {
		return name
	}
	root, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(root, "go.mod")); err == nil {
			return filepath.Join(root, "testdata", name)
		}
		if root == filepath.Dir(root) {
			t.Fatal("no go.mod above the test's folder")
		}
		root = filepath.Dir(root)
	}
}

// ReadTake reads a WAV of the module's testdata folder as a block, and its rate in Hz.
func ReadTake(t testing.TB, name string) (dsp.Block, int) {
	t.Helper()
	r, err := wave.Open(Path(t, name))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	b := dsp.NewBlock(r.Format().Channels, int(r.Frames()))
	if n, err := r.Read(b); n != b.Frames() || err != nil && err != io.EOF {
		t.Fatal(n, err)
	}
	return b, r.Format().Rate
}

// StereoTake is the demo take on two channels, the second later and softer.
func StereoTake(t testing.TB) (dsp.Block, int) {
	b, rate := ReadTake(t, "harbour-street.wav")
	second := make([]float64, len(b[0]))
	for n := range second {
		second[n] = b[0][max(0, n-11)] / 2
	}
	return dsp.Block{b[0], second}, rate
}

// SpeechTake is synthetic: 20 s of words (pulses of a voice through a resonance,
// in syllables, half of the time) over white noise of a level in dBFS.
func SpeechTake(noiseDB float64, seed uint64) []float64 {
	const rate, seconds = 48000, 20
	rng := rand.New(rand.NewPCG(seed, 1))
	x := make([]float64, rate*seconds)
	noise := math.Pow(10, noiseDB/20) * math.Sqrt(3) // uniform: rms is peak/√3
	for n := range x {
		t := float64(n) / rate
		x[n] = noise * (2*rng.Float64() - 1)
		if n%(2*rate) < rate {
			syllable := math.Sin(math.Pi * 4 * t)
			pulse := t*110 - math.Floor(t*110)
			x[n] += 0.4 * syllable * syllable * math.Exp(-pulse*7) * math.Sin(2*math.Pi*6*pulse)
		}
	}
	mean := 0.0
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for n := range x {
		if n%(2*rate) < rate {
			x[n] -= 2 * mean // the pulses' own offset
		}
	}
	return x
}
