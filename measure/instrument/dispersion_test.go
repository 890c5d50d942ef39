package instrument

import (
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure/stimulus"
)

var plusMinusAny = regexp.MustCompile(`±([0-9.e+-]+) `)

// A filter delays parts of the band differently, and so moves the largest correlation of the
// marks. The latency of random high-passes and bells is the delay behind them, within its
// bound; a capacitor's bound is a few hundredths of a frame. A gain that moves with the level
// treats the two marks differently; that is no drift of the clocks beyond its bound. A bell's
// ringing, of Q 4 at 500 Hz over 10 ms, is no second arrival.
func TestLatencyOfFiltersIsWithinItsBound(t *testing.T) {
	devices := 4
	if dsptest.IsExhaustive() {
		devices = 60
	}
	random := rand.New(rand.NewPCG(4, 19))
	between := func(low, high float64) float64 { return low + (high-low)*random.Float64() }
	late, drifts := 0, 0
	for n := range devices {
		rate := []int{48000, 44100, 96000}[n%3]
		m := stimulus.Marked{Signal: stimulus.Tone{Hz: 997, PeakDBFS: -20, Seconds: 0.4}, Rate: rate}
		sound, _, err := m.Make()
		if err != nil {
			t.Fatal(err)
		}
		latency := random.IntN(3000)
		x := append(make([]float64, latency), sound[0]...)
		corner := between(2, 20)
		x = highPassSection(corner, 0.5, float64(rate)).filtered(x)
		capacitor := n%4 == 0
		if !capacitor {
			x = highPassSection(between(30, 120), math.Sqrt2/2, float64(rate)).filtered(x)
			x = bellSection(500*math.Pow(9, random.Float64()), between(0.5, 4), between(-9, 9), float64(rate)).filtered(x)
		}
		if n%2 == 1 { // a slow compressor: its gain falls through the first mark and rises after the tone
			gain := 0.0
			for i, v := range x {
				target := 0.0
				if math.Abs(v) > 0.03 {
					target = -between(3, 6)
				}
				gain += (target - gain) * 20 / float64(rate)
				x[i] = v * math.Pow(10, gain/20)
			}
		}
		addNoise(x, between(-125, -90), uint64(n))
		a, err := Align(m, Recording{Sound: dsp.Block{x}, Rate: rate, Bits: 24})
		if err != nil {
			t.Fatalf("device %d: %v", n, err)
		}
		within := func(name string, want float64) (off, stated float64) {
			got, _ := a.Readings.Get(name)
			for _, found := range plusMinusAny.FindAllStringSubmatch(got.Bound, -1) {
				v, _ := strconv.ParseFloat(found[1], 64)
				stated += v
			}
			return math.Abs(got.Value - want), stated
		}
		off, stated := within("latency_frames", float64(latency))
		if off > stated {
			late++
			t.Logf("device %d: a latency of %d frames is off by %.4f, ±%.4f stated", n, latency, off, stated)
		}
		if capacitor && n%2 == 0 && stated > 0.15*float64(rate)/48000 {
			t.Errorf("device %d: a capacitor's latency is stated to ±%.3f frames only", n, stated)
		}
		if off, stated := within("drift_ppm", 0); off > stated {
			drifts++
			t.Logf("device %d: a drift of %.3f ppm, ±%.3f stated", n, off, stated)
		}
		for _, f := range a.Findings {
			if strings.Contains(f.What, "clock") {
				t.Errorf("device %d: %s", n, f.What)
			}
		}
	}
	for what, n := range map[string]int{"latencies": late, "drifts": drifts} {
		if float64(n) > 0.05*float64(devices)+1 {
			t.Errorf("%d of %d %s lie outside what is stated", n, devices, what)
		}
	}
}
