package compare

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// The ± of a delay and of a drift hold what they are stated for, 95 % of cases: of takes of
// 0.15 to 4 s with any delay, half of them with a drift, a third with something cut out of
// them, half with noise 10 to 50 dB under them. A drift that moves a clean take by a frame is
// named, beside a cut as well, and so is the cut. The share may be two standard deviations of
// its own lower (binomial law). 0.003 frames are the oracle's short interpolator.
func TestUncertaintyHolds(t *testing.T) {
	take, rate := testsound.ReadTake(t, "source/reading-1.wav")
	rng := rand.New(rand.NewPCG(81, 82))
	cases := 16
	if dsptest.IsExhaustive() {
		cases = 240
	}
	delays, drifts, delaysHeld, driftsHeld := 0.0, 0.0, 0.0, 0.0
	for i := range cases {
		seconds := []float64{0.15, 0.5, 2, 3, 4}[i%5]
		frames := int(seconds * float64(rate))
		from := 0
		for { // where somebody speaks
			from = rng.IntN(len(take[0]) - frames)
			if rms(take[0][from:from+frames]) > 0.5*rms(take[0]) {
				break
			}
		}
		a := take[0][from : from+frames]
		b := slices.Clone(a)
		cutAt, cut := 0, 0
		if i%3 == 0 && seconds >= 3 {
			cutAt, cut = frames/4+rng.IntN(frames/2), 80+rng.IntN(rate/4)
			b = append(b[:cutAt], b[cutAt+cut:]...)
		}
		ppm := 0.0
		if seconds >= 2 && rng.IntN(2) == 0 {
			ppm = 3 * math.Pow(300, rng.Float64()) * float64(1-2*rng.IntN(2))
		}
		speed, delay := 1+ppm*1e-6, 40*rng.Float64()
		length := int(float64(len(b))*speed) + 42
		b = shifted(append(b, make([]float64, max(0, length-len(b)))...), 24, func(n int) float64 { return (float64(n) - delay) / speed })[:length]
		snr := math.Inf(1)
		if rng.IntN(2) == 0 {
			snr = 10 + 40*rng.Float64()
			b = sum(b, white(len(b), dsp.AmplitudeToDB(rms(b))-snr, rng))
		}
		c := sameness(t, a, b, rate)
		what := func(text string) {
			t.Helper()
			t.Logf("case %d, %g s, %.2f ppm, %.3f frames, %d cut at %d, noise %.0f dB under it: %s: %s", i, seconds, ppm, delay, cut, cutAt, snr, text, c.Summary())
		}
		if !c.Same {
			if math.IsInf(snr, 1) && (cut == 0 || math.Abs(ppm) < 300) { // 4 s show no fast clock beside a cut
				t.Error("not found")
				what("not found")
			}
			continue
		}
		p := c.place
		_, drifted := of(c.Differences(), Drift)
		_, found := of(c.Differences(), Cut)
		if math.IsInf(snr, 1) && math.Abs(ppm)*1e-6*float64(frames) > 1 && !drifted || cut > 0 && snr > 25 && !found {
			t.Error("a drift or a cut is not named")
			what("not named")
			continue
		}
		first := p.pieces[0]
		middle := float64(first.from+first.to) / 2
		if len(p.pieces) > 1 && cut == 0 || len(p.pieces) == 1 && cut > 0 {
			continue // two delays have no one
		}
		delays++
		if off := math.Abs(first.Delay + first.Speed*middle - delay - speed*middle); off <= p.within()+0.003 {
			delaysHeld++
		} else {
			what("delay")
			t.Logf("off by %.4f ± %.4f frames", off, p.within())
		}
		if !math.IsInf(p.slope, 1) {
			drifts++
			if off := math.Abs(first.Speed - speed); off <= p.slope {
				driftsHeld++
			} else {
				what("drift")
				t.Logf("off by %.3f ± %.3f ppm", off*1e6, p.slope*1e6)
			}
		}
		if cut > 0 && math.IsInf(p.slope, 1) {
			t.Error("a take with a cut has a drift without a ±")
			what("no ±")
		}
	}
	t.Logf("the delay of %g of %g is within its ±, the drift of %g of %g", delaysHeld, delays, driftsHeld, drifts)
	for _, of := range [][2]float64{{delaysHeld, delays}, {driftsHeld, drifts}} {
		if least := 0.95 - 2*math.Sqrt(0.95*0.05/of[1]); of[0] < least*of[1] {
			t.Errorf("%g of %g are within their ±, want %.2f of them", of[0], of[1], least)
		}
	}
}
