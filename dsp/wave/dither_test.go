package wave

import (
	"crypto/sha256"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/vector"
)

// Theory: with TPDF dither the total error's power is q²/4, its mean 0, both
// independent of the sound (Lipshitz, Wannamaker, Vanderkooy, JAES 1992).
func TestDitherErrorIsAsInTheory(t *testing.T) {
	const frames = 400_000
	for _, level := range []float64{0, 0.3 / 32768, 0.5 / 32768, 0.37} {
		path := filepath.Join(t.TempDir(), "a.wav")
		in := dsp.NewBlock(2, frames)
		for _, plane := range in {
			for n := range plane {
				plane[n] = level
			}
		}
		write(t, path, Format{Rate: 48000, Channels: 2, Encoding: Integer, Bits: 16}, Options{Dither: TPDF, Seed: 3}, in)
		_, out := readAll(t, path)
		var cross float64
		for c := range out {
			var sum, power float64
			for n, y := range out[c] {
				e := (y - level) * 32768
				sum += e
				power += e * e
				if c == 1 {
					cross += e * (out[0][n] - level) * 32768
				}
			}
			// Five standard errors of the mean (0.5/√N) and of the power: the
			// error's fourth moment is below 0.25, so below 0.5/√N too.
			limit := 5 * 0.5 / math.Sqrt(frames)
			if mean := sum / frames; math.Abs(mean) > limit {
				t.Errorf("level %g: mean error %.4f LSB, limit %.4f", level, mean, limit)
			}
			if p := power / frames; math.Abs(p-0.25) > limit {
				t.Errorf("level %g: error power %.4f LSB², theory 0.25 ± %.4f", level, p, limit)
			}
		}
		if r := cross / frames; math.Abs(r) > 5*0.25/math.Sqrt(frames) {
			t.Errorf("level %g: the channels' errors are correlated: %.4f LSB²", level, r)
		}
	}
}

// The level of dithered silence is 10·lg(q²/4), q = 2^(1−bits), re full scale
// 1: the power of TPDF dither, q²/6, and of rounding, q²/12.
func TestDitheredSilence(t *testing.T) {
	for bits, want := range map[int]float64{8: -48.164799, 16: -96.329599, 20: -120.412000, 24: -144.494400} {
		const frames = 400_000
		path := filepath.Join(t.TempDir(), "a.wav")
		write(t, path, Format{Rate: 48000, Channels: 1, Encoding: Integer, Bits: bits}, Options{Dither: TPDF, Seed: 1}, dsp.NewBlock(1, frames))
		_, out := readAll(t, path)
		var power, lag float64
		for n, x := range out[0] {
			power += x * x
			if n > 0 {
				lag += x * out[0][n-1]
			}
		}
		level := 10 * math.Log10(power/frames)
		// Silence gives −1, 0, 1 LSB with probabilities 1/8, 3/4, 1/8, so x² has
		// mean 1/4 and deviation √3/4 LSB². Five standard errors of the mean:
		limit := 10 * math.Log10(1+5*math.Sqrt(3.0/frames))
		if math.Abs(level-want) > limit {
			t.Errorf("%d bits: %.4f dBFS, theory %.4f ± %.4f", bits, level, want, limit)
		}
		if r := lag / power; math.Abs(r) > 5/math.Sqrt(frames) {
			t.Errorf("%d bits: neighbouring samples are correlated: %.4f", bits, r)
		}
		write(t, path, Format{Rate: 48000, Channels: 1, Encoding: Integer, Bits: bits}, Options{Replace: true}, dsp.NewBlock(1, 10))
		if _, out := readAll(t, path); out[0][9] != 0 {
			t.Errorf("%d bits: silence without dither gives %v", bits, out[0])
		}
	}
}

// The digest is this package's own, from amd64: it shows only that another
// machine or a later version writes the same bytes.
func TestSameBytesOnEveryMachine(t *testing.T) {
	const want = "7079efefd4103b33"
	b := dsp.NewBlock(2, 10_000)
	source := uint64(newDither(5, 0))
	for _, plane := range b {
		source = vector.Dither(plane, plane, 0, source) // up to full scale: some samples go over
	}
	sum := sha256.New()
	for _, f := range formats {
		f.Rate, f.Channels = 48000, 2
		path := filepath.Join(t.TempDir(), "a.wav")
		write(t, path, f, Options{Dither: TPDF, Seed: 1}, b)
		raw, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		sum.Write(raw)
	}
	if got := fmt.Sprintf("%x", sum.Sum(nil)[:8]); got != want {
		t.Errorf("digest %s, want %s", got, want)
	}
}
