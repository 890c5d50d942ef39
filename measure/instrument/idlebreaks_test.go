package instrument

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/measure/internal/timemap"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Random noise in silences: normal, Laplace, of a few steps of integer samples, low-passed,
// with hum, with mains pulses, of drifting level. None of 200 is reported as broken. One sample
// of 8 times the largest around it, and a piece of zeros of 30 ms, are found with their place.
func TestClicksAndMutedPiecesInRandomSilences(t *testing.T) {
	cases := 8
	if dsptest.IsExhaustive() {
		cases = 200
	}
	random := rand.New(rand.NewPCG(11, 6))
	between := func(low, high float64) float64 { return low + (high-low)*random.Float64() }
	for i := range cases {
		rate := []int{44100, 48000, 96000}[random.IntN(3)]
		fs := float64(rate)
		s := stimulus.Silence{Seconds: between(3, 12)}
		x := make([]float64, int((s.Seconds+0.5)*fs))
		level := dsp.DBToAmplitude(between(-110, -50))
		laplace, pole := random.IntN(2) == 0, []float64{0, between(0, 0.99)}[random.IntN(2)]
		last := 0.0
		for n := range x {
			v := random.NormFloat64()
			if laplace {
				v = random.ExpFloat64() * math.Copysign(math.Sqrt2/2, v)
			}
			last = math.Sqrt(1-pole*pole)*v + pole*last
			x[n] = level * last * (1 + 0.5*math.Sin(2*math.Pi*0.2*float64(n)/fs))
		}
		about := fmt.Sprintf("case %d: %.1f s at %d Hz, Laplace %v, pole %.2f", i, s.Seconds, rate, laplace, pole)
		mains := []float64{50, 60}[random.IntN(2)]
		switch random.IntN(4) {
		case 0:
			hum := level * between(0.1, 30)
			about += fmt.Sprintf(", hum %.1f", hum/level)
			for n := range x {
				x[n] += hum * math.Sin(2*math.Pi*mains*float64(n)/fs)
			}
		case 1:
			pulse := level * between(5, 100)
			about += fmt.Sprintf(", pulses %.1f", pulse/level)
			last := 0
			for n := range x {
				if now := int(2 * mains * float64(n) / fs); now != last {
					x[n], last = x[n]+pulse*between(0.8, 1.2), now
				}
			}
		}
		coarse := false // nearly all samples are 0 anyway
		if random.IntN(2) == 0 {
			step := level * between(0.3, 4)
			coarse = step > level
			about += fmt.Sprintf(", steps %.1f", step/level)
			for n := range x {
				x[n] = step * math.Round(x[n]/step)
			}
		}
		found := func() string {
			a := &Alignment{Sound: dsp.Block{x}, Rate: rate, placed: timemap.Map{Speed: 1}}
			if err := a.findBreaks(s); err != nil {
				t.Fatal(err)
			}
			return strings.Join(whats(a.Findings), "; ")
		}
		if text := found(); text != "" {
			t.Errorf("%s: found %q", about, text)
		}
		at := int(between(1.1, s.Seconds-0.1) * fs)
		phrase := "a click in the silence"
		if i%2 == 0 || coarse {
			x[at] += 8 * max(level, vector.Peak(x[max(0, at-rate/10):min(len(x), at+rate/10)]))
		} else {
			phrase = "the noise stops"
			clear(x[at : at+rate*30/1000])
		}
		text := found()
		_, place, _ := strings.Cut(text, phrase)
		_, place, _ = strings.Cut(place, "of the recording, ")
		var where float64
		fmt.Sscanf(place, "%f", &where)
		if !strings.Contains(text, phrase) || math.Abs(where-float64(at)/fs) > 0.002 {
			t.Errorf("%s: at %.3f s, found %q, want %q", about, float64(at)/fs, text, phrase)
		}
	}
}

// A click out of samples that are exactly 0 is a click alone, and no noise stops.
func TestClickInZeros(t *testing.T) {
	for _, at := range []int{70000, 3*48000 - 1} {
		x := make([]float64, 3*48000)
		x[at] = 0.5
		if clicks, muted := clicksOf(x, 48000), mutedPieces(x, 48000); len(clicks) > 1 || len(muted) > 0 {
			t.Errorf("clicks %v, muted %v; accepted: one click", clicks, muted)
		}
	}
}
