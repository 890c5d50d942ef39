package instrument

import (
	"fmt"
	"maps"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Random devices with noise: of the group delays from 20 Hz to 20 kHz, 95 of 100 are within
// their bounds about the closed form (the difference quotient of the filters' phase).
func TestGroupDelayInNoiseIsWithinItsBound(t *testing.T) {
	devices := 1
	if dsptest.IsExhaustive() {
		devices = 40
	}
	random := rand.New(rand.NewPCG(15, 8))
	uniform := func(low, high float64) float64 { return low + (high-low)*random.Float64() }
	in, all, none := map[string]int{}, map[string]int{}, map[string]int{}
	for n := range devices {
		rate := []int{48000, 44100, 96000}[n%3]
		fs := float64(rate)
		sweep := stimulus.Sweep{FromHz: 5, ToHz: 21900, Seconds: []float64{3, 10, 2, 6}[random.IntN(4)], PeakDBFS: -20}
		if !dsptest.IsExhaustive() {
			sweep.Seconds = 2
		}
		device := append(dsp.ButterworthHighPass(1+random.IntN(2), uniform(2, 60), fs), dsp.CookbookBell(uniform(100, 8000), uniform(-12, 12), uniform(0.5, 4), fs))
		device = append(device, dsp.CookbookHighShelf(uniform(2000, 9000), uniform(-6, 6), 0.7, fs))
		sound, err := sweep.Make(rate)
		if err != nil {
			t.Fatal(err)
		}
		tail := rate / 4 * random.IntN(4)
		late := min(tail, random.IntN(300))
		padded := dsp.NewBlock(1, sound.Frames()+tail)
		copy(padded[0][min(late, tail):], sound[0])
		sections(device...)(rate, padded)
		noise, colour := math.Pow(10, uniform(-110, -60)/20), random.IntN(3)
		pole, last := math.Exp(-2*math.Pi*uniform(50, 2000)/fs), 0.0
		for i := range padded[0] {
			v := noise * random.NormFloat64()
			if colour > 0 { // stronger at low frequencies
				last = pole*last + v*math.Sqrt(1-pole*pole)
				v = last
			}
			if colour == 2 { // and hum
				v += noise * math.Sin(2*math.Pi*50.02*float64(i)/fs)
			}
			padded[0][i] += v
		}
		want := analytic(fs, device...)
		err = SweepResponse{Sweep: sweep}.eachCurve(rate, padded, func(_ int, _ []float64, f *FrequencyResponse) {
			for _, hz := range []float64{20, 35, 50, 100, 200, 400, 1000, 3000, 7000, 10000, 15000, 20000} {
				const step = 1e-4
				delay := -cmplx.Phase(want(hz*(1+step))/want(hz*(1-step)))/(2*math.Pi*2*step*hz)*1000 + float64(late)*1000/fs
				r := measure.Reading{Value: f.DelayMs(hz), Unit: "ms"}
				f.addOpenDelay(&r, hz)
				key := fmt.Sprintf("%5.0f Hz", hz)
				if !r.Measurable() {
					none[key]++
					continue
				}
				off := statedMs(t, r.Bound)
				all[key]++
				if math.Abs(r.Value-delay) <= off {
					in[key]++
				} else {
					t.Logf("device %d (%d Hz, sweep of %g s, noise %.1f dBFS, colour %d): %g Hz: %.4f ± %.4f ms, planted %.4f", n, rate, sweep.Seconds, 20*math.Log10(noise), colour, hz, r.Value, off, delay)
				}
				if math.Abs(r.Value-delay) > 4*off {
					t.Errorf("device %d: %g Hz: %.4f ± %.4f ms, planted %.4f", n, hz, r.Value, off, delay)
				}
			}
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	inside, stated := 0, 0
	for _, key := range slices.Sorted(maps.Keys(all)) {
		t.Logf("%s: %d of %d inside; %d drowned", key, in[key], all[key], none[key])
		inside, stated = inside+in[key], stated+all[key]
	}
	if float64(inside) < 0.95*float64(stated)-1 {
		t.Errorf("%d of %d within what is stated", inside, stated)
	}
}

// statedMs is the uncertainty at the beginning of a bound.
func statedMs(t *testing.T, bound string) float64 {
	t.Helper()
	text, _, _ := strings.Cut(strings.TrimPrefix(bound, "±"), " ")
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatalf("%q: %v", bound, err)
	}
	return v
}
