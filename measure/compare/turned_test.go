package compare

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/measuretest"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// A part of 1.2 s and more in which one channel, or the only one, is inverted is reported
// with its seconds, whatever gain, delay, noise and gentle filter lie on the whole; without
// it the same changes are no inversion of a part. The channel of a steep high-pass, whose
// phase turns low tones around, is not inverted either.
func TestInvertedPartsAreReported(t *testing.T) {
	take, rate := testsound.ReadTake(t, "harbour-street.wav")
	rng := rand.New(rand.NewPCG(3, 8))
	seeds := make([]uint64, 30)
	for i := range seeds {
		seeds[i] = rng.Uint64()
	}
	for i, seed := range dsptest.Some(4, seeds) {
		rng := rand.New(rand.NewPCG(seed, 1))
		from := rng.IntN(6 * rate)
		a := dsp.Block{take[0][from : from+4*rate+rng.IntN(3*rate)]}
		if i%2 == 1 {
			a = append(a, testsound.Times(a[0], 0.7))
			for n, v := range testsound.Noise(a.Frames(), 0.003, seed) {
				a[1][n] += v
			}
		}
		channel := len(a) - 1
		gain := dsp.DBToAmplitude(rng.Float64()*12 - 9)
		noise := testsound.Noise(a.Frames(), 0.005*rng.Float64()*gain, seed+1)
		delay := rng.IntN(3000) * rng.IntN(2)
		bell := []dsp.Biquad{dsp.CookbookBell(3000, rng.Float64()*6-3, 1, float64(rate))}
		changed := func(from, to int) dsp.Block {
			b := testsound.CopyOf(a)
			dsp.NewCascade(bell, len(b)).Process(b)
			for n := range b[channel] {
				if n >= from && n < to {
					b[channel][n] = -b[channel][n]
				}
				b[channel][n] += noise[n] / gain
			}
			return moved(b, delay, gain)
		}
		least := rate * 12 / 10 // of each part: the take pauses for up to a second
		at := least + rng.IntN(a.Frames()/2-least)
		length := least + rng.IntN(a.Frames()-at-2*least)
		switch rng.IntN(3) {
		case 0:
			length = a.Frames() - at
		case 1:
			at, length = 0, at
		}
		c, r := brief(t, a, changed(at, at+length))
		all := c.Differences()
		k := slices.IndexFunc(all, func(d Difference) bool { return d.Kind == PartInverted })
		if k < 0 {
			t.Errorf("%d: inverted from %d to %d: %s", i, at, at+length, c.Summary())
			continue
		}
		// Where a pause lies at an end, nothing shows where in it that is.
		d, within := all[k], func(frame int) int64 { return all[k].Within + int64(pauseAt(a[0], frame, rate)) }
		if e := d.Frame - int64(at); e > within(at) || -e > within(at) {
			t.Errorf("%d: inverted from frame %d: %v", i, at, d)
		}
		if e := d.Frame + d.Frames - int64(at+length); e > within(at+length) || -e > within(at+length) {
			t.Errorf("%d: inverted to frame %d: %v", i, at+length, d)
		}
		if len(a) == 2 && d.Channel != 1 || d.Count != 1 {
			t.Errorf("%d: %+v", i, d)
		}
		measuretest.WantReading(t, r, "polarity", 0, 0)
		none := changed(0, 0)
		steep := testsound.CopyOf(a)
		dsp.NewCascade(dsp.ButterworthHighPass(8, 110, float64(rate)), len(steep)).Process(steep)
		for _, b := range []dsp.Block{none, steep} {
			if c, r := brief(t, a, b); strings.Contains(kindsOf(c.Differences()), string(PartInverted)) {
				t.Errorf("%d: nothing is inverted: %s", i, c.Summary())
			} else {
				measuretest.WantReading(t, r, "polarity", 1, 0)
			}
		}
	}
}

// pauseAt is how many frames around one are 24 dB and more under the loudest 20 ms.
func pauseAt(x []float64, frame, rate int) int {
	window, loudest := rate/50, 0.0
	for n := 0; n+window <= len(x); n += window {
		loudest = max(loudest, rms(x[n:n+window]))
	}
	quiet := func(n int) bool {
		n = max(0, min(n, len(x)-window))
		return rms(x[n:n+window]) < loudest*dsp.DBToAmplitude(-20)
	}
	frames := 0
	for k := frame - frame%window; k >= 0 && quiet(k); k -= window {
		frames += window
	}
	for k := frame - frame%window; k+window <= len(x) && quiet(k); k += window {
		frames += window
	}
	return frames
}

// brief compares without what each sound reads by itself.
func brief(t *testing.T, a, b dsp.Block) (*Comparison, measure.Readings) {
	t.Helper()
	c, err := Sounds(t.Context(), opened(a), opened(b), Settings{Brief: true})
	if err != nil {
		t.Fatal(err)
	}
	return c, c.Readings()
}
