package compare

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// The residual by frequency is that of the whole difference, also where the difference
// is a dropout, which shows no response, or of one channel: the third octaves add up to
// residual_dbfs, and the A-weighted residual is within 1 dB of the difference through
// the weighting of IEC 61672-1 (annex E), or both state that they are not measurable.
func TestResidualByFrequencyIsOfTheWholeDifference(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 7))
	voice, rate := spoken(t)
	voice = dsp.Block{voice[0], voice[0]}
	cases := 3
	if dsptest.IsExhaustive() {
		cases = 60
	}
	measured := [3]int{}
	for i := range cases {
		b := dsp.NewBlock(2, voice.Frames())
		for c := range b {
			copy(b[c], voice[c])
		}
		what := ""
		switch i % 3 {
		case 0:
			length := int((0.05 + 1.5*rng.Float64()) * float64(rate))
			at := rng.IntN(voice.Frames() - length)
			clear(b[0][at : at+length])
			clear(b[1][at : at+length])
			what = fmt.Sprintf("silent for %d frames from %d on", length, at)
		case 1:
			gain := dsp.DBToAmplitude(-6 * rng.Float64())
			for n := range b[1] {
				b[1][n] *= gain
			}
			what = fmt.Sprintf("channel 2 by %g", gain)
		case 2:
			at := rng.IntN(voice.Frames())
			b[0][at] += 0.3
			what = fmt.Sprintf("a click at %d", at)
		}
		_, r := compare(t, voice, b)
		all, _ := r.Get("residual_dbfs")
		a, _ := r.Get("residual_a_dbfs")
		if !all.Measurable() {
			continue // what was silenced was a pause
		}
		if a.Beyond < 0 || a.Reason == "exactly 0" {
			t.Errorf("%s: %v, residual_a_dbfs %v", what, all, a)
		}
		if !a.Measurable() {
			continue
		}
		measured[i%3]++
		total := 0.0
		for _, v := range r {
			var hz int
			if n, _ := fmt.Sscanf(v.Name, "residual_%dhz_dbfs", &hz); n == 1 && v.Measurable() {
				total += dsp.DBToPower(v.Value)
			}
		}
		if got := dsp.PowerToDB(total); math.Abs(got-all.Value) > 0.7 { // below 18 Hz there is no band, and above 22 kHz
			t.Errorf("%s: the bands add up to %.2f dBFS, residual_dbfs is %.2f", what, got, all.Value)
		}
		e := dsp.NewBlock(2, b.Frames())
		for c := range e {
			for n := range e[c] {
				e[c][n] = b[c][n] - voice[c][n]
			}
		}
		flat := dsp.PowerToDB((meanSquare(e[0]) + meanSquare(e[1])) / 2)
		if want := all.Value + aWeighted(e, rate) - flat; math.Abs(a.Value-want) > 1 { // a Hann window sees the edges of a dropout wider
			t.Errorf("%s: residual_a_dbfs %.2f, the difference has %.2f", what, a.Value, want)
		}
	}
	if measured[0] < cases/6 || measured[1] < cases/3 { // a pause may be silenced without a difference
		t.Errorf("of %d each %v measured", cases/3, measured)
	}
}

func meanSquare(x []float64) float64 { return rms(x) * rms(x) }

// aWeighted is the level in dBFS through the A-weighting's formula, by a discrete Fourier
// transform of the whole.
func aWeighted(x dsp.Block, rate int) float64 {
	power := 0.0
	for _, plane := range x {
		for k, v := range fourier.NewFFT(len(plane)).Coefficients(nil, plane) {
			p := 2 * square(v) / float64(len(plane)) / float64(len(plane)) // half a spectrum; A(0) = 0
			f := float64(k) * float64(rate) / float64(len(plane))
			f2 := f * f
			gain := 12194 * 12194 * f2 * f2 / ((f2 + 20.6*20.6) * math.Sqrt((f2+107.7*107.7)*(f2+737.9*737.9)) * (f2 + 12194*12194)) * 1.2589
			power += p * gain * gain
		}
	}
	return dsp.PowerToDB(power / float64(len(x)))
}
