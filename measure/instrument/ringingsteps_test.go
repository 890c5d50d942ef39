package instrument

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strconv"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// section is a second-order filter: the coefficients of x, x', x" and of −y', −y".
type section [5]float64

func (s section) filtered(x []float64) []float64 {
	out := make([]float64, len(x))
	var x1, x2, y1, y2 float64
	for n, v := range x {
		y := s[0]*v + s[1]*x1 + s[2]*x2 - s[3]*y1 - s[4]*y2
		x2, x1, y2, y1 = x1, v, y1, y
		out[n] = y
	}
	return out
}

// delay is the group delay in frames, at a frequency in turns per frame.
func (s section) delay(turns float64) float64 {
	phase := func(turns float64) float64 {
		z := cmplx.Rect(1, -2*math.Pi*turns)
		c := func(v float64) complex128 { return complex(v, 0) }
		return cmplx.Phase((c(s[0]) + c(s[1])*z + c(s[2])*z*z) / (1 + c(s[3])*z + c(s[4])*z*z))
	}
	const d = 1e-6
	return -(phase(turns+d) - phase(turns-d)) / (2 * 2 * math.Pi * d)
}

// A bell and a high-pass by the "Cookbook formulae for audio EQ biquad filter coefficients"
// (Bristow-Johnson; W3C Working Group Note, 2021).
func bellSection(hz, q, gainDB, rate float64) section {
	a, w := math.Pow(10, gainDB/40), 2*math.Pi*hz/rate
	alpha, c := math.Sin(w)/(2*q), math.Cos(w)
	d := 1 + alpha/a
	return section{(1 + alpha*a) / d, -2 * c / d, (1 - alpha*a) / d, -2 * c / d, (1 - alpha/a) / d}
}

func highPassSection(hz, q, rate float64) section {
	w := 2 * math.Pi * hz / rate
	alpha, c := math.Sin(w)/(2*q), math.Cos(w)
	d := 1 + alpha
	return section{(1 + c) / 2 / d, -(1 + c) / d, (1 + c) / 2 / d, -2 * c / d, (1 - alpha) / d}
}

// A voice processor has filters before or after its compressor, which ring where the level of a
// step changes. After the step down its output is for a moment as loud as before, so the ratio
// of output to input jumps by as much as the level. The times are still those of the gain,
// within their bounds.
func TestStepTimesBesideFilters(t *testing.T) {
	devices := 6
	if dsptest.IsExhaustive() {
		devices = 200
	}
	rng := rand.New(rand.NewPCG(8, 21))
	held, all := map[string]int{}, map[string]int{}
	for i := range devices {
		const rate = 48000
		between := func(low, high float64) float64 { return low + (high-low)*rng.Float64() }
		attack, release := 2*math.Pow(20, rng.Float64()), 30*math.Pow(6, rng.Float64())
		hold, change := max(0, between(-10, 10)), -between(6, 15)
		noise := math.Pow(10, between(-125, -85)/20)
		bell, low := bellSection(500*math.Pow(20, rng.Float64()), between(0.5, 5), between(-9, 9), rate), highPassSection(between(30, 120), math.Sqrt2/2, rate)
		behind := rng.IntN(2) == 1
		step := stimulus.LevelStep{Hz: 6000, LowDBFS: -32, HighDBFS: -12, BeforeSeconds: 0.5, DuringSeconds: 0.6, AfterSeconds: 0.3 + release*0.012}
		up, down := step.Steps(rate)
		sent, err := step.Make(rate)
		if err != nil {
			t.Fatal(err)
		}
		frames := func(ms float64) float64 { return ms * rate / 1000 }
		x := append(sent[0][:len(sent[0]):len(sent[0])], make([]float64, 77)...)
		late := bell.delay(6000.0/rate) + low.delay(6000.0/rate)
		if !behind {
			x = low.filtered(bell.filtered(x))
		}
		for k := range x {
			at := func(since, tau float64) float64 { return 1 - math.Exp(-max(0, since)/frames(tau)) }
			x[k] *= math.Pow(10, change*at(float64(k-up)+1, attack)*(1-at(float64(k-down)-frames(hold)+1, release))/20)
		}
		if behind {
			x = low.filtered(bell.filtered(x))
		}
		for k := range x {
			x[k] += noise * rng.NormFloat64()
		}
		trace, err := StepResponse{Step: step}.Trace(rate, x)
		if err != nil {
			t.Fatal(err)
		}
		readings := trace.Readings()
		half := 1000 * float64(step.Period(rate)/2) / rate
		for name, want := range map[string]float64{
			"attack_ms": attack, "attack_10_90_ms": attack * math.Log(9), "attack_begins_ms": 0,
			"release_ms": release, "release_10_90_ms": release * math.Log(9), "release_begins_ms": hold,
			"attack_within_2db_ms":  attack * math.Log(-change/2),
			"release_within_2db_ms": release*math.Log(-change/2) + hold,
		} {
			got, _ := readings.Get(name)
			if !got.Measurable() {
				t.Logf("device %d: %s: %s", i, name, got.Reason)
				continue
			}
			// A filter after the gain delays it.
			off := 0.01*math.Abs(want) + half + 1000*math.Abs(late)/rate
			if found := plusMinusMs.FindStringSubmatch(got.Bound); found != nil {
				stated, _ := strconv.ParseFloat(found[1], 64)
				off = max(off, stated)
			}
			all[name]++
			if math.Abs(got.Value-want) <= off {
				held[name]++
			} else {
				t.Logf("device %d: %s: %.3f ms (%s), want %.3f; behind %v, noise %.0f dBFS, change %.1f dB, hold %.1f", i, name, got.Value, got.Bound, want, behind, 20*math.Log10(noise), change, hold)
			}
		}
	}
	t.Log(held, all)
	if len(all) != 8 {
		t.Errorf("%d readings, want 8", len(all))
	}
	for name, n := range all {
		if float64(n-held[name]) > 0.05*float64(n)+1 {
			t.Errorf("%s: %d of %d within what is stated", name, held[name], n)
		}
	}
}
