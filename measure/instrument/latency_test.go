package instrument

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/measuretest"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// delayed is a device that delays by whole frames.
func delayed(frames int) bench {
	return func(_ int, sound dsp.Block) {
		for c, plane := range sound {
			sound[c] = append(make([]float64, frames), plane...)
		}
	}
}

// inSeries joins devices.
func inSeries(all ...bench) bench {
	return func(rate int, sound dsp.Block) {
		for _, d := range all {
			d(rate, sound)
		}
	}
}

func TestLatencyIsExact(t *testing.T) {
	const rate = 48000
	impulse := Latency{stimulus.StandardImpulse(-20)}
	sweep := CorrelationDelay{Sweep: sweepForTests}
	for _, frames := range dsptest.Some(2, []int{143, 10001, 0, 1, 144, 1234}) {
		r := run(t, inSeries(delayed(frames), converter(1)), impulse, rate)
		measuretest.WantReading(t, r, "latency_frames", float64(frames), 0)
		measuretest.WantReading(t, r, "latency_ms", float64(frames)/48, 1e-9)
		measuretest.WantReason(t, r, "echo_delay_ms", "no echo")
		r = run(t, delayed(frames), sweep, rate)
		// The wave between the samples has its peak on the frame, to rounding.
		measuretest.WantReading(t, r, "correlation_delay_frames", float64(frames), 1e-6)
		measuretest.WantReading(t, r, "group_delay_at_1khz_ms", float64(frames)/48, 1e-6)
		r = run(t, delayed(frames), MultitoneResponse{Multitone: stimulus.StandardMultitone(-20)}, rate)
		measuretest.WantReading(t, r, "group_delay_at_1khz_ms", float64(frames)/48, 1e-6)
	}
}

// Latency is not group delay. A 100 Hz high-pass of second order responds at once, whatever its
// group delay: 2·ζ/ω0 = 2.25 ms towards 0 Hz, about √2·f0/(2π·f²) = 0.0225 ms at 1 kHz (closed
// form of the analogue prototype). A low-pass responds at once too, and peaks later.
func TestLatencyIsNotGroupDelay(t *testing.T) {
	const rate = 48000
	impulse := Latency{stimulus.StandardImpulse(-20)}
	highPass, lowPass := dsp.ButterworthHighPass(2, 100, rate), dsp.ButterworthLowPass(2, 100, rate)
	measuretest.WantReading(t, run(t, sections(highPass...), impulse, rate), "latency_frames", 0, 0)
	r := run(t, inSeries(delayed(50), sections(lowPass...)), impulse, rate)
	measuretest.WantReading(t, r, "latency_frames", 50, 0)
	// The analogue response e^(−at)·sin(at) peaks at π/(4a), a = ω0/√2.
	measuretest.WantReading(t, r, "largest_sample_ms", 50.0/48+math.Pi/4/(2*math.Pi*100/math.Sqrt2)*1000, 0.03)
	r = run(t, sections(highPass...), CorrelationDelay{Sweep: stimulus.StandardSweep(-20)}, rate)
	measuretest.WantReading(t, r, "group_delay_at_1khz_ms", 0.0227, 0.0005) // next term of the series: f0³/f⁴
	measuretest.WantReading(t, r, "group_delay_at_100hz_ms", math.Sqrt2/(2*math.Pi*100)*1000, 0.001)
	measuretest.WantReading(t, r, "correlation_delay_frames", 0, 0.05) // the phase lead at 500 Hz and above
}

// Delays between the frames by a sinc, which is their definition.
func TestDelayBetweenFrames(t *testing.T) {
	dsptest.Exhaustive(t)
	const rate = 48000
	for _, frames := range dsptest.Some(1, []float64{1234.37, 0.25, 7.5}) {
		d := bench(func(_ int, sound dsp.Block) {
			sound[0] = hardware{delay: frames, tail: 400}.record(rate, sound[0])
		})
		short := stimulus.Sweep{FromHz: 100, ToHz: 20000, Seconds: 1, PeakDBFS: -20}
		r := run(t, d, CorrelationDelay{Sweep: short}, rate)
		// The simulated delay's own sinc is flat to 1e-5 in the band.
		measuretest.WantReading(t, r, "correlation_delay_frames", frames, 1e-4)
		measuretest.WantReason(t, r, "group_delay_at_100hz_ms", "outside the band")
	}
}

func TestEchoArrivals(t *testing.T) {
	const rate = 48000
	echoing := bench(func(_ int, sound dsp.Block) {
		x := sound[0]
		for n := len(x) - 1; n >= 0; n-- { // y = 0.5·x[n−20] − 0.1·x[n−500]
			y := 0.0
			if n >= 20 {
				y += 0.5 * x[n-20]
			}
			if n >= 500 {
				y -= 0.1 * x[n-500]
			}
			x[n] = y
		}
	})
	for name, i := range map[string]Instrument{"impulse": Latency{stimulus.StandardImpulse(-20)}, "sweep": CorrelationDelay{Sweep: sweepForTests}} {
		r := run(t, echoing, i, rate)
		measuretest.WantReading(t, r, "echo_delay_frames", 480, 0)
		measuretest.WantReading(t, r, "echo_level_db", 20*math.Log10(0.2), 0.01) // the sweep's band rings a little
		if t.Failed() {
			t.Fatal(name)
		}
	}
	// Ringing is no echo, fast or slow.
	r := run(t, sections(dsp.CookbookBell(150, 18, 1, rate), dsp.CookbookBell(2000, 12, 20, rate)), Latency{stimulus.StandardImpulse(-20)}, rate)
	measuretest.WantReason(t, r, "echo_delay_frames", "no echo")
}

func TestLatencyWithoutAValueHasAReason(t *testing.T) {
	const rate = 48000
	i := Latency{stimulus.StandardImpulse(-20)}
	rng := rand.New(rand.NewPCG(1, 1))
	noisy := curve(func(x float64) float64 { return x + 0.02*(2*rng.Float64()-1) })
	measuretest.WantReason(t, run(t, noisy, i, rate), "latency_frames", "undecided")
	measuretest.WantReason(t, run(t, curve(func(float64) float64 { return 0 }), i, rate), "latency_frames", "silence")
	if _, err := i.Analyse(rate, dsp.NewBlock(1, 100)); err == nil {
		t.Error("a response shorter than the stimulus's lead is accepted")
	}
}

func TestRoundTripOverRuns(t *testing.T) {
	runs := []measure.Readings{}
	for _, frames := range []float64{480, 482, 480, 480.5, 480} {
		var r measure.Readings
		r.AddFrames("latency", frames, 48000, measure.Reading{})
		runs = append(runs, r)
	}
	r := RoundTrip(runs, 48000)
	measuretest.WantReading(t, r, "round_trip_frames", 480.5, 1e-9)
	measuretest.WantReading(t, r, "round_trip_spread_frames", 2, 0)
	measuretest.WantReading(t, r, "round_trip_max_ms", 482.0/48, 1e-9)
	measuretest.WantReason(t, RoundTrip(runs[:1], 48000), "round_trip_spread_frames", "one run")
	measuretest.WantReason(t, RoundTrip(append(runs, measure.Readings{}), 48000), "round_trip_frames", "run 6 has no latency")
	measuretest.WantReason(t, RoundTrip(nil, 48000), "round_trip_frames", "no run")
}

// fractional is an ideal delay by a number of frames that need not be whole: a sinc of 8192
// frames.
func fractional(frames float64) bench {
	return func(_ int, sound dsp.Block) {
		for c, plane := range sound {
			out := make([]float64, len(plane)+8192)
			for n, v := range plane {
				if v == 0 {
					continue
				}
				for k := max(0, n+int(frames)-4095); k < min(len(out), n+int(frames)+4096); k++ {
					x := math.Pi * (float64(k-n) - frames)
					if x == 0 {
						out[k] += v
					} else {
						out[k] += v * math.Sin(x) / x
					}
				}
			}
			sound[c] = out
		}
	}
}

// A delay by a fraction of a frame rings before its middle, from the first frame on. Its
// latency is the middle, with a device's noise and inverted polarity as well. The latency of a
// low-pass that responds at once is that of its first sample.
func TestLatencyOfLinearPhase(t *testing.T) {
	const rate = 48000
	rng := rand.New(rand.NewPCG(5, 8))
	impulse := Latency{stimulus.StandardImpulse(-20)}
	for _, frames := range append(dsptest.Some(1, []float64{33.4, 4000.25}), 500.5, 20+500*rng.Float64()) {
		r := run(t, fractional(frames), impulse, rate)
		// The sinc is cut off some frames before its beginning, which moves it by a hundredth
		// of a frame.
		measuretest.WantReading(t, r, "latency_frames", frames, 0.01)
		measuretest.WantReading(t, r, "latency_ms", frames/48, 0.01/48)
		noisy := inSeries(fractional(frames), func(_ int, sound dsp.Block) {
			for n := range sound[0] {
				sound[0][n] = 1e-4*rng.NormFloat64() - sound[0][n]
			}
		})
		// Noise 57 dB below the impulse's peak moves it by some hundredths of a frame.
		measuretest.WantReading(t, run(t, noisy, impulse, rate), "latency_frames", frames, 0.05)
	}
	for order := range 8 {
		corner := 1000 * math.Pow(15, rng.Float64())
		r := run(t, inSeries(delayed(70), sections(dsp.ButterworthLowPass(order+1, corner, rate)...)), impulse, rate)
		if got := measuretest.ReadingValue(t, r, "latency_frames"); got != math.Round(got) {
			t.Errorf("order %d, %g Hz: latency %g frames, want that of its first sample", order+1, corner, got)
		}
	}
}
