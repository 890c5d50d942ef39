package compare

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// A take that another clock has stretched, with any delay, gain, polarity and noise, is
// placed right, within the stated ±, or not at all: no reading but the similarity then has a
// value. Speeds are any up to 1500 ppm, a pull-down, and film of 24 frames a second at 25.
// B is read by an interpolator of the test's own.
//
// The bounds hold in 95 % of cases; what is accepted is twice that, and 0.02 frames beside it,
// that the oracle's short interpolator and a speed of 0 for a drift under sameDelay are off.
func TestAnyClockIsFoundOrDeclined(t *testing.T) {
	take, rate := testsound.ReadTake(t, "harbour-street.wav")
	rng := rand.New(rand.NewPCG(61, 62))
	cases, declined, loud := 3, 0, 0
	if dsptest.IsExhaustive() {
		cases = 80
	}
	for i := range cases {
		seconds := []float64{2, 3, 5, 12}[rng.IntN(4)]
		frames := int(seconds * float64(rate))
		from := rng.IntN(len(take[0]) - frames)
		a := take[0][from : from+frames]
		ppm := 3000*rng.Float64() - 1500
		if rng.IntN(6) == 0 {
			ppm = []float64{1000.0 * 1000 / 999, -999, 1e6 / 24, -1e6 / 25, 0}[rng.IntN(5)]
		}
		speed := 1 + ppm*1e-6
		delay := math.Round(float64(rate) * (1.5*rng.Float64() - 0.2))
		gain := dsp.DBToAmplitude(20*rng.Float64() - 18)
		if rng.IntN(2) == 0 {
			gain = -gain
		}
		b := make([]float64, int(float64(frames)*speed)+max(0, int(delay)))
		for n, v := range shifted(append(append([]float64(nil), a...), make([]float64, max(0, len(b)-frames))...), 24, func(n int) float64 { return (float64(n) - delay) / speed })[:len(b)] {
			b[n] = v * gain
		}
		snr := math.Inf(1)
		if rng.IntN(2) == 0 {
			snr = 40 * rng.Float64()
			for n, v := range white(len(b), dsp.AmplitudeToDB(rms(b))-snr, rng) {
				b[n] += v
			}
		}
		open := func(x []float64) func() (wave.Source, error) {
			return func() (wave.Source, error) { return wave.NewMemory(wave.Unquantised(rate, 1), dsp.Block{x}), nil }
		}
		c, err := Sounds(t.Context(), open(a), open(b), Settings{Brief: true})
		if err != nil {
			t.Fatal(err)
		}
		what := func(text string) {
			t.Helper()
			t.Errorf("case %d, %g s, %.2f ppm, %g frames, gain %.2f, noise %.0f dB under it: %s: %s", i, seconds, ppm, delay, gain, snr, text, c.Summary())
		}
		r := c.Readings()
		if !c.Same {
			if declined++; math.IsInf(snr, 1) {
				what("clean, and not found")
			}
			for _, reading := range r {
				if reading.Name != "similarity" && reading.Measurable() {
					what(reading.Name + " has a value")
				}
			}
			continue
		}
		loud++
		p := c.place
		within := p.within()
		middle := float64(c.From+c.To) / 2
		if off := p.At(int(middle)) - (delay + speed*math.Trunc(middle)); math.Abs(off) > 2*within+0.02 {
			what("delay")
		}
		if off := math.Abs(p.Speed - speed); off > 2*p.slope+0.02/float64(frames) {
			what(fmt.Sprintf("the drift is off by %.2f ppm, ±%.2f ppm", off*1e6, p.slope*1e6))
		}
		if p.inverted != (gain < 0) {
			what("polarity")
		}
		if db, _ := r.Get("gain_db"); snr > 20 && math.Abs(db.Value-dsp.AmplitudeToDB(math.Abs(gain))) > 0.1 {
			what("gain")
		}
	}
	t.Logf("%d placed, %d declined", loud, declined)
}

// A sound that has one passage of the other in common, and else other speech, is not aligned
// by that passage, however much of it is a copy.
func TestPassageAloneIsNoAlignment(t *testing.T) {
	take, rate := testsound.ReadTake(t, "harbour-street.wav")
	a, passage := take[0][:6*rate], 2*rate
	loudest, most := 0, 0.0
	for from := 0; from+passage <= len(a); from += passage / 4 {
		if level := rms(a[from : from+passage]); level > most {
			loudest, most = from, level
		}
	}
	b := append([]float64(nil), take[0][6*rate:12*rate]...)
	copy(b[loudest:loudest+passage], testsound.Times(a[loudest:loudest+passage], 1.5))
	open := func(x []float64) func() (wave.Source, error) {
		return func() (wave.Source, error) { return wave.NewMemory(wave.Unquantised(rate, 1), dsp.Block{x}), nil }
	}
	c, err := Sounds(t.Context(), open(a), open(b), Settings{Brief: true})
	if err != nil {
		t.Fatal(err)
	}
	if c.Same || !strings.Contains(c.Summary(), "no alignment was found") {
		t.Error(c.Summary())
	}
}
