package compare

import (
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure/internal/measuretest"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// What is muted in B is missing, to a millisecond at either end of each piece, and the
// sentence states the difference that the residual has.
func TestMutedSoundIsMissing(t *testing.T) {
	take, rate := testsound.ReadTake(t, "harbour-street.wav")
	a := dsp.Block{take[0][2*rate : 9*rate]}
	rng := rand.New(rand.NewPCG(7, 9))
	loudest := func() int { // where A does not pause
		for {
			at := rng.IntN(a.Frames() - rate)
			if rms(a[0][at:at+rate/50]) > 0.05 {
				return at
			}
		}
	}
	for pieces := 1; pieces <= 2; pieces++ {
		b, muted := testsound.CopyOf(a), 0.0
		for range pieces {
			at, frames := loudest(), rate/100+rng.IntN(rate/100)
			muted += float64(frames) * 1000 / float64(rate)
			clear(b[0][at : at+frames])
		}
		c, r := compare(t, a, b)
		measuretest.WantReading(t, r, "missing_ms", muted, 2*float64(pieces))
		residual, _ := r.Get("residual_dbfs")
		energy := 0.0
		for n := range a[0] {
			energy += (a[0][n] - b[0][n]) * (a[0][n] - b[0][n])
		}
		if want := dsp.PowerToDB(energy / float64(a.Frames())); math.Abs(residual.Value-want) > 0.01 || !strings.Contains(c.Summary(), "in all the difference is at "+strconv.FormatFloat(residual.Value, 'f', 1, 64)) {
			t.Errorf("the residual is %v, want %.2f: %s", residual, want, c.Summary())
		}
	}
}

// fourierStretched is a sound at another speed, by the transform of its whole length
// (Oppenheim and Schafer, "Discrete-Time Signal Processing", 8.7): all frequencies up to half
// the rate stay, which an interpolator between the frames takes away.
func fourierStretched(x []float64, frames int) []float64 {
	bins := make([]complex128, frames/2+1)
	copy(bins, fourier.NewFFT(len(x)).Coefficients(nil, x))
	return testsound.Times(fourier.NewFFT(frames).Sequence(nil, bins), 1/float64(len(x)))
}

// What the interpolation between the frames leaves of a fraction of a delay or of a drift is
// no noise that either has.
func TestInterpolationIsNoNoise(t *testing.T) {
	take, rate := testsound.ReadTake(t, "harbour-street.wav")
	a := dsp.Block{take[0][:2*rate]}
	if dsptest.IsExhaustive() {
		a = dsp.Block{take[0][:5*rate]}
	}
	for _, at := range dsptest.Some(1, []func(n int) float64{
		func(n int) float64 { return float64(n) / 0.9994 },
		func(n int) float64 { return float64(n) - 12.37 },
		func(n int) float64 { return float64(n) / 1.0003 },
	}) {
		b := dsp.Block{shifted(a[0], 256, at)}
		c, _ := compare(t, a, b)
		if strings.Contains(c.Summary(), "noise") {
			t.Error(c.Summary())
		}
	}
}

// Nor is noise of A's own above the interpolation's highest frequency, where B has all of it.
func TestFrequenciesUpToHalfTheRateAreNoNoise(t *testing.T) {
	take, _ := testsound.ReadTake(t, "harbour-street.wav")
	a := testsound.CopyOf(dsp.Block{take[0][:144*1700]}) // 588 ppm, by lengths of small factors
	for n, v := range white(a.Frames(), -60, rand.New(rand.NewPCG(3, 4))) {
		a[0][n] += v
	}
	c, r := compare(t, a, dsp.Block{fourierStretched(a[0], 144*1701)})
	measuretest.WantReading(t, r, "drift_ppm", 1e6/1700, 0.01)
	if strings.Contains(c.Summary(), "noise") {
		t.Error(c.Summary())
	}
}
