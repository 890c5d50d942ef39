package take

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// A voice that is later in channel 2 is named with its delay, in noise of each channel from 6
// dB below the voice down, inverted or not, and softer. A voice in the middle of music that
// comes later in channel 2 has no delay: none is named, at any level of the music.
func TestDelayIsNamedOnlyOfTheWholeSound(t *testing.T) {
	voice, rate := testsound.ReadTake(t, "harbour-street.wav")
	x := voice[0]
	level := takes.BandLevel(x, rate, 80, 20000)
	music := takes.Music(len(x), rate, 4)
	musicLevel := takes.BandLevel(music, rate, 80, 20000)
	cases := uint64(4)
	if dsptest.IsExhaustive() {
		cases = 60
	}
	for seed := range cases {
		rng := rand.New(rand.NewPCG(seed, 41))
		inspected := func(b dsp.Block) (string, float64, bool) {
			in := inspectAt(t, rate, b...)
			var found []string
			for _, f := range in.Findings {
				found = append(found, f.What)
			}
			r, ok := in.Readings.Get("channel_delay_frames")
			return strings.Join(found, "; "), r.Value, ok && r.Measurable()
		}
		later := func(x []float64, frames int, gain float64) []float64 {
			y := make([]float64, len(x))
			for n := frames; n < len(y); n++ {
				y[n] = gain * x[n-frames]
			}
			return y
		}
		frames := 1 + int(math.Pow(1000, rng.Float64()))
		gain := dsp.DBToAmplitude(-5 * rng.Float64())
		if rng.IntN(2) == 0 {
			gain = -gain
		}
		snr := 6 + 40*rng.Float64()
		noisy := func(x []float64, by float64, k uint64) []float64 {
			y := testsound.Times(x, 1)
			for n, v := range takes.RoomNoise("pink", len(x), rate, level-snr+by, 2*seed+k) {
				y[n] += v
			}
			return y
		}
		if found, is, ok := inspected(dsp.Block{noisy(x, 0, 0), noisy(later(x, frames, gain), dsp.AmplitudeToDB(math.Abs(gain)), 1)}); !ok || int(is) != frames || !strings.Contains(found, " later") {
			t.Errorf("%d: %d frames later, x %.2f, noise at %.0f dB: %g, %q", seed, frames, gain, -snr, is, found)
		}
		bed := testsound.Times(music, dsp.DBToAmplitude(level-musicLevel-12+15*rng.Float64()))
		l, r := testsound.Times(x, 1), testsound.Times(x, 1)
		for n, v := range later(bed, frames, 1) {
			l[n], r[n] = l[n]+bed[n], r[n]+v
		}
		if found, is, ok := inspected(dsp.Block{l, r}); ok && is != 0 || strings.Contains(found, " later") || strings.Contains(found, "inverted") {
			t.Errorf("%d: music %d frames later: %g, %q", seed, frames, is, found)
		}
		takes.ForgetNoises()
	}
}
