package instrument

import (
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Measured corners are within their bounds, near the ends of the sweep's band and far from
// them. The lower corner is a one-pole high-pass by the bilinear transform, the upper one a
// Butterworth low-pass. A response that reaches the end of the band has a reason instead of a
// corner.
func TestCornersWithinTheirBound(t *testing.T) {
	cases := 2
	if dsptest.IsExhaustive() {
		cases = 40
	}
	random := rand.New(rand.NewPCG(6, 6))
	for n := range cases {
		from := []float64{2, 5, 10}[n%3]
		sweep := stimulus.Sweep{FromHz: from, ToHz: 20500, Seconds: 2 + 4*random.Float64(), PeakDBFS: -20}
		low := from * (1.6 + 4*random.Float64())
		high, poles := 6000*math.Pow(3, random.Float64()), 3+random.IntN(4)
		device := bench(func(rate int, b dsp.Block) {
			w := math.Tan(math.Pi * low / float64(rate))
			for _, x := range b {
				lastX, lastY := 0.0, 0.0
				for n, v := range x {
					y := ((1-w)*lastY + v - lastX) / (1 + w)
					lastX, lastY, x[n] = v, y, y
				}
				lowPass(x, high, poles, rate)
			}
		})
		r, err := Run(t.Context(), device, SweepResponse{Sweep: sweep}, 48000)
		if err != nil {
			t.Fatal(err)
		}
		// Butterworth 1930, at frequencies that the bilinear transform warps by tan(πf/fs).
		power := func(hz float64) float64 {
			at := func(hz float64) float64 { return math.Tan(math.Pi * hz / 48000) }
			return 1 / (1 + math.Pow(at(low)/at(hz), 2)) / (1 + math.Pow(at(hz)/at(high), 2*float64(poles)))
		}
		halfPower := func(inside, outside float64) float64 {
			for range 60 {
				if middle := (inside + outside) / 2; power(middle) > power(1000)/2 {
					inside = middle
				} else {
					outside = middle
				}
			}
			return inside
		}
		for name, want := range map[string]float64{"lower_corner_hz": halfPower(1000, 0.1), "upper_corner_hz": halfPower(1000, 23000)} {
			got, _ := r.Get(name)
			words, after, _ := strings.Cut(got.Bound, " Hz")
			bound, err := strconv.ParseFloat(strings.TrimPrefix(words, "±"), 64)
			if !got.Measurable() || err != nil || after == "" {
				t.Errorf("%s: %+v", name, got)
				continue
			}
			if off := math.Abs(got.Value - want); off > bound {
				t.Errorf("sweep from %g Hz, %.1f s: %s is %.3f ± %g, planted %.3f", from, sweep.Seconds, name, got.Value, bound, want)
			}
		}
	}
	wire, err := Run(t.Context(), bench(func(int, dsp.Block) {}), SweepResponse{Sweep: stimulus.Sweep{FromHz: 10, ToHz: 20500, Seconds: 2, PeakDBFS: -20}}, 48000)
	if err != nil {
		t.Fatal(err)
	}
	for name, phrase := range map[string]string{"lower_corner_hz": "under 14", "upper_corner_hz": "above 19"} {
		if got, _ := wire.Get(name); got.Measurable() || !strings.HasPrefix(got.Reason, phrase) {
			t.Errorf("%s of a wire: %+v, want %q", name, got, phrase)
		}
	}
}
