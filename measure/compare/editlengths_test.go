package compare

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/measuretest"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// The length of a dropout is right to a few frames where it is silent or dithered, in A or in
// B, at any gain of B; otherwise to the ± that is stated.
func TestLengthOfDropouts(t *testing.T) {
	voice, rate := testsound.ReadTake(t, "harbour-street.wav")
	rng := rand.New(rand.NewPCG(31, 32))
	exact := 0
	for round := range 30 {
		a := dsp.Block{voice[0][:6*rate]}
		b := testsound.CopyOf(a)
		at := loudestFrame(a) - 50 + rng.IntN(100)
		length := 120 + rng.IntN(1200)
		left := func(float64) float64 { return 0 }
		switch round % 3 {
		case 1: // dither of 16 bits
			left = func(float64) float64 { return (rng.Float64() - rng.Float64()) / (1 << 15) }
		case 2: // 46 dB less
			left = func(v float64) float64 { return 0.005 * v }
		}
		for n := at; n < at+length; n++ {
			b[0][n] = left(b[0][n])
		}
		gain := dsp.DBToAmplitude(12*rng.Float64() - 6)
		for n := range b[0] {
			b[0][n] *= gain
		}
		in := "B"
		if round%2 == 1 {
			a, b, in = b, a, "A"
		}
		c, _ := compare(t, a, b)
		all := c.Differences()
		i := slices.IndexFunc(all, func(d Difference) bool { return d.Kind == Dropout })
		if i < 0 || all[i].In != in {
			t.Errorf("round %d: no dropout in %s of %d frames: %v", round, in, length, all)
			continue
		}
		d := all[i]
		if d.Count > 1 { // a zero crossing between two quiet milliseconds parts it
			continue
		}
		// A few samples beside it may be as small as its own.
		if off := math.Abs(float64(d.Frames) - float64(length)); off > float64(d.Within)+8 {
			t.Errorf("round %d: %d ±%d frames, want %d", round, d.Frames, d.Within, length)
		}
		if place := math.Abs(float64(d.Frame) - float64(at)); place > float64(d.Within)+8 {
			t.Errorf("round %d: at %d ±%d, want %d", round, d.Frame, d.Within, at)
		}
		if round%3 < 2 && d.Within == 0 {
			exact++
		}
	}
	if exact < 18 {
		t.Errorf("only %d of 20 silent ones have an exact length", exact)
	}
}

// What is cut out or put in is stated with its frames and its place, and that place is the
// first at which the sounds differ.
func TestFramesThatAreCutOutOrPutIn(t *testing.T) {
	voice, rate := testsound.ReadTake(t, "harbour-street.wav")
	x := voice[0][:8*rate]
	rng := rand.New(rand.NewPCG(33, 34))
	for round := range 6 {
		at, frames := 2*rate+rng.IntN(3*rate), 200+rng.IntN(3000)
		y := append(slices.Clone(x[:at]), x[at+frames:]...)
		a, b, want, name := x, y, " missing at ", "missing_ms"
		if round%2 == 1 {
			a, b, want, name = y, x, " more at ", "extra_ms"
		}
		c, r := compare(t, dsp.Block{a}, dsp.Block{b})
		text := dsp.Plural(frames, "frame")
		if s := c.Summary(); !strings.Contains(s, text) || !strings.Contains(s, want) {
			t.Errorf("%d frames at %d: %s", frames, at, s)
		}
		got, _ := r.Get(name)
		measuretest.WantReading(t, r, name, float64(frames)*1000/float64(rate), 1e-6)
		// Equal samples at both sides of a cut leave it open by a few frames.
		if math.Abs(float64(got.Frame-int64(at))) > 8 {
			t.Errorf("%s: frame %d, want %d", name, got.Frame, at)
		}
		measuretest.WantReading(t, r, "first_difference_frames", float64(at), 8)
	}
}
