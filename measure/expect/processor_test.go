package expect

import (
	"math"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// each is a device that works sample by sample in every channel.
func each(f func(n int, x float64) float64) DeviceFunc {
	return func(_ int, planes [][]float64) [][]float64 {
		for _, plane := range planes {
			for n, x := range plane {
				plane[n] = f(n, x)
			}
		}
		return planes
	}
}

// onePole is a low-pass y += a (x - y). Its gain against that at 0 Hz falls to half the
// power where cos w = 1 - a²/(2 (1 - a)), from |H|² = a²/(1 - 2 (1-a) cos w + (1-a)²).
func onePole(a float64) DeviceFunc {
	return func(_ int, planes [][]float64) [][]float64 {
		for _, plane := range planes {
			y := 0.0
			for n, x := range plane {
				y += a * (x - y)
				plane[n] = y
			}
		}
		return planes
	}
}

func onePoleCorner(a, rate float64) float64 {
	return math.Acos(1-a*a/(2*(1-a))) * rate / (2 * math.Pi)
}

// clip is a hard limiter by samples.
func clip(ceilingDBFS float64) DeviceFunc {
	most := dsp.DBToAmplitude(ceilingDBFS)
	return each(func(_ int, x float64) float64 { return max(-most, min(most, x)) })
}

// following is a gain that goes from 0 dB to gainDB where the last 2 ms hold a sample
// over the threshold, with time constants in ms.
func following(threshold, gainDB, attackMs, releaseMs float64) DeviceFunc {
	return func(rate int, planes [][]float64) [][]float64 {
		for _, plane := range planes {
			g, over := 0.0, -1000000
			for n, x := range plane {
				if math.Abs(x) > threshold {
					over = n
				}
				target, ms := 0.0, releaseMs
				if n-over < rate/500 {
					target, ms = gainDB, attackMs
				}
				g = target + math.Exp(-1000/(ms*float64(rate)))*(g-target)
				plane[n] = x * dsp.DBToAmplitude(g)
			}
		}
		return planes
	}
}

// Each assertion accepts a right processor and fails a wrong one with a sentence that
// has its name, the place and the figure.
func TestProcessorAssertions(t *testing.T) {
	through := each(func(_ int, x float64) float64 { return x })
	flat := Mask{{20, -0.1, 0.1}, {20000, -0.1, 0.1}}
	step := stimulus.LevelStep{Hz: 6000, LowDBFS: -24, HighDBFS: -4, BeforeSeconds: 0.4, DuringSeconds: 0.4, AfterSeconds: 0.6}
	tone := stimulus.SteppedTone{Hz: 997, FromDBFS: -30, ToDBFS: -6, StepDB: 6, StepSeconds: 0.2}
	back := tone
	back.Back = true
	corner := onePoleCorner(0.1, 48000)
	same := func(in float64) float64 { return in }
	runs := 0
	stress := []stimulus.LimiterStress{{Case: 1, CeilingDBTP: -1}}
	voice := Named("take 3", Planes(48000, dsptest.Speechlike(48000, 1, 24000, 1)))
	late := DeviceFunc(func(_ int, p [][]float64) [][]float64 { return [][]float64{append(make([]float64, 1), p[0]...)} })
	for _, c := range []struct {
		name   string
		device Device
		assert func(t testing.TB, p Processor)
		says   string // "": nothing
	}{
		{"response", through, func(t testing.TB, p Processor) { Response(t, p, flat) }, ""},
		{"response: low-pass", onePole(0.1), func(t testing.TB, p Processor) { Response(t, p, flat) }, "device 7, sweep, channel 1, 20 kHz: gain_db is -25."},
		{"response: muted", each(func(int, float64) float64 { return 0 }), func(t testing.TB, p Processor) { Response(t, p, flat) }, "device 7, sweep, channel 1, 20 Hz: gain_db is nothing: exactly 0 comes out, limit -0.1 to 0.1 dB"},
		{"response: NaN", each(func(n int, x float64) float64 { return x / float64(n-1000) * 0 * math.Inf(1) }), func(t testing.TB, p Processor) { Response(t, p, flat) }, "channel 1 is NaN at 00:00:00.000 (frame 0)"},
		{"response: no mask", through, func(t testing.TB, p Processor) { Response(t, p, Mask{}) }, "found a mask of 0 points"},
		{"response: upside down", through, func(t testing.TB, p Processor) { Response(t, p, Mask{{20, 1, -1}, {200, 1, -1}}) }, "found 1 to -1 dB"},
		{"response: open mask", through, func(t testing.TB, p Processor) {
			Response(t, p, Mask{{20, math.Inf(-1), math.Inf(1)}, {200, math.Inf(-1), math.Inf(1)}})
		}, "without a bound"},
		{"response: too wide a mask", through, func(t testing.TB, p Processor) { Response(t, p, Mask{{5, -1, 1}, {20000, -1, 1}}) }, "found a mask from 5 Hz to 20 kHz; accepted at 48000 Hz: 14.65 Hz to 21.119 kHz"},
		{"corner", onePole(0.1), func(t testing.TB, p Processor) { Corner(t, p, 20, corner, 0.2) }, ""},
		{"corner: other", onePole(0.1), func(t testing.TB, p Processor) { Corner(t, p, 20, corner*1.01, 0.2) }, "device 7, sweep, channel 1, low-pass: corner_hz is 80"},
		{"corner: none", through, func(t testing.TB, p Processor) { Corner(t, p, 100, 1000, 1) }, "corner_hz is not measurable (the magnitude does not cross"},
		{"curve", through, func(t testing.TB, p Processor) { StaticCurve(t, p, back, same, 0.001) }, ""},
		{"curve: clipped", clip(-10), func(t testing.TB, p Processor) { StaticCurve(t, p, tone, same, 0.1) }, "device 7, stepped-tone, channel 1, -6 dBFS in: out_dbfs is -8."},
		{"curve: way down", each(func(n int, x float64) float64 {
			if n > 48000*3/2 {
				return x / 2
			}
			return x
		}), func(t testing.TB, p Processor) { StaticCurve(t, p, back, same, 0.1) }, "dBFS in on the way down: out_dbfs is "},
		{"curve: gated", each(func(_ int, x float64) float64 { return 0 }), func(t testing.TB, p Processor) { StaticCurve(t, p, tone, same, 0.1) }, "-30 dBFS in: out_dbfs is nothing: exactly 0 comes out"},
		{"attack", following(0.2, -6, 10, 40), func(t testing.TB, p Processor) { Attack(t, p, step, 10, 0.2); Release(t, p, step, 40, 0.4) }, ""},
		{"attack: slow", following(0.2, -6, 12, 40), func(t testing.TB, p Processor) { Attack(t, p, step, 10, 0.2) }, "device 7, level-step: attack_ms is 11.9"},
		{"release: slow", following(0.2, -6, 10, 50), func(t testing.TB, p Processor) { Release(t, p, step, 40, 0.4) }, "device 7, level-step: release_ms is 49."},
		{"attack: none", through, func(t testing.TB, p Processor) { Attack(t, p, step, 10, 0.2) }, "attack_ms is not measurable (the gain changes by 0.00 dB only"},
		{"noise", through, func(t testing.TB, p Processor) { IdleNoise(t, p, -120) }, ""},
		{"noise: some", each(func(n int, x float64) float64 { return x + 1e-4*math.Sin(float64(n)*float64(n)) }), func(t testing.TB, p Processor) { IdleNoise(t, p, -120) }, "device 7, silence: idle_noise_dbfs is -8"},
		{"noise: muted", each(func(int, float64) float64 { return 0 }), func(t testing.TB, p Processor) { IdleNoise(t, p, -120) }, "device 7, tone: channel 1 is exactly 0"},
		{"noise: NaN", each(func(int, float64) float64 { return math.NaN() }), func(t testing.TB, p Processor) { IdleNoise(t, p, -120) }, "channel 1 is NaN at 00:00:00.000 (frame 0)"},
		{"noise: NaN in what settles", each(func(n int, x float64) float64 { return x + map[bool]float64{true: math.NaN()}[n == 24000] }), func(t testing.TB, p Processor) { IdleNoise(t, p, -120) }, "silence: channel 1 is NaN at 00:00:00.500 (frame 24000)"},
		{"noise: a click at the end", each(func(n int, x float64) float64 { return x + map[bool]float64{true: 0.9}[n == 140000] }), func(t testing.TB, p Processor) { IdleNoise(t, p, -90) }, "idle_noise_dbfs is -4"},
		{"overshoot", each(func(_ int, x float64) float64 { return x / 64 }), func(t testing.TB, p Processor) { overshoot(t, p, -1, 0, stress) }, ""},
		{"overshoot: clipped", clip(-1), func(t testing.TB, p Processor) { overshoot(t, p, -1, 0, stress) }, "device 7, " + stress[0].Name()},
		{"overshoot: muted", each(func(int, float64) float64 { return 0 }), func(t testing.TB, p Processor) { overshoot(t, p, -1, 0, stress) }, "channel 1 is exactly 0"},
		{"overshoot: NaN", each(func(n int, x float64) float64 { return x + map[bool]float64{true: math.NaN()}[n == 480] }), func(t testing.TB, p Processor) { overshoot(t, p, -1, 0, stress) }, "channel 1 is NaN at 00:00:00.010 (frame 480)"},
		{"same bits", onePole(0.1), SameBits, ""},
		{"same bits: another run", each(func(n int, x float64) float64 {
			if n == 0 {
				runs++
			}
			if n == 4800 && runs == 2 {
				return x + 0x1p-40
			}
			return x
		}), SameBits, "device 7, speech-like, a second run: channel 1 differs from the first run at 00:00:00.100 (frame 4800): "},
		{"same bits: state", func() Device {
			loud := 0.0
			return each(func(n int, x float64) float64 {
				if math.Abs(x) > 0.5 {
					loud = 1
				}
				return x * (1 + 1e-9*loud*float64(n%2))
			})
		}(), SameBits, "device 7, speech-like, a second run: channel 1 differs"},
		{"same bits: NaN", each(func(n int, x float64) float64 { return x + map[bool]float64{true: math.NaN()}[n == 480] }), SameBits, "channel 1 is NaN at 00:00:00.010 (frame 480)"},
		{"same bits: blocks", InBlocks(func(int, int) func([][]float64) { return func([][]float64) {} }), SameBits, ""},
		{"same bits: by block", InBlocks(func(int, int) func([][]float64) {
			return func(b [][]float64) { b[0][len(b[0])-1] *= 0.5 }
		}), SameBits, "device 7, speech-like, in blocks of 1 frame: channel 1 differs from the first run at 00:00:00.000"},
		{"same bits: large blocks", InBlocks(func(int, int) func([][]float64) {
			return func(b [][]float64) {
				if len(b[0]) > 1000 {
					b[0][1000] = 0.25
				}
			}
		}), SameBits, "in blocks of 4096 frames: channel 1 differs from the first run at 00:00:00.020 (frame 1000): 0.25, and "},
		{"no device", nil, SameBits, "found no device: nil"},
		{"nil function", DeviceFunc(nil), SameBits, "found no device: nil"},
		{"nil blocks", InBlocks(nil), SameBits, "found no device: nil"},
		{"no processor", InBlocks(func(int, int) func([][]float64) { return nil }), SameBits, "found no processor"},
		{"no instrument's device", Responding(nil), SameBits, "found no device: nil"},
		{"no planes", DeviceFunc(func(int, [][]float64) [][]float64 { return nil }), SameBits, "found 0 channels in what the device returns; accepted: 1"},
		{"short", DeviceFunc(func(_ int, p [][]float64) [][]float64 { return [][]float64{p[0][1:]} }), SameBits, "found 47999 frames in channel 1 of what the device returns; accepted: at least 48000"},
		{"null", late, func(t testing.TB, p Processor) { Null(t, p.Of(voice), voice, -200); Latency(t, p.Of(voice), voice, 1) }, ""},
		{"null unaligned", late, func(t testing.TB, p Processor) { NullUnaligned(t, p.Of(voice), voice, -60) }, "device 7 of take 3: residual_dbfs is "},
		{"null unaligned: a delay", late, func(t testing.TB, p Processor) { NullUnaligned(t, p.Of(voice), voice, -60) }, "1 frame"},
		{"null unaligned: gain", each(func(_ int, x float64) float64 { return x * 0.99 }), func(t testing.TB, p Processor) { NullUnaligned(t, p.Of(voice), voice, -80) }, "device 7 of take 3: residual_dbfs is "},
		{"measured", through, func(t testing.TB, p Processor) {
			Measured(t, p, instrument.Latency{Impulse: stimulus.StandardImpulse(-20)}, measure.Between("latency_frames", 0, 0))
		}, ""},
		{"measured: late", late, func(t testing.TB, p Processor) {
			Measured(t, p, instrument.Latency{Impulse: stimulus.StandardImpulse(-20)}, measure.Between("latency_frames", 0, 0))
		}, "device 7, impulse: latency_frames is 1 frame, limit exactly 0 frames"},
		{"measured: nothing", through, func(t testing.TB, p Processor) { Measured(t, p, instrument.IdleNoise{Seconds: 2}) }, "found no limit"},
		{"measured: unknown", through, func(t testing.TB, p Processor) {
			Measured(t, p, instrument.IdleNoise{Seconds: 2}, measure.AtMost("loudness", 1))
		}, "no instrument gave it"},
	} {
		r := held(t, func(t testing.TB) { c.assert(t, Processor{Name: "device 7", Device: c.device}) })
		got := strings.Join(r.errors, "\n")
		if c.says == "" && got != "" || !strings.Contains(got, c.says) || c.says != "" && !strings.Contains(got, "device 7") {
			t.Errorf("%s: %s, want %q", c.name, got, c.says)
		}
	}
}

// Of two channels, the wrong one is named.
func TestProcessorAssertionsNameTheChannel(t *testing.T) {
	right := DeviceFunc(func(_ int, p [][]float64) [][]float64 {
		for n := range p[1] {
			p[1][n] /= 2
		}
		return p
	})
	p := Processor{Device: right, Channels: 2}
	got := held(t, func(t testing.TB) { Response(t, p, Mask{{30, -1, 1}, {15000, -1, 1}}) }).errors
	if len(got) != 1 || !strings.Contains(got[0], "the processor, sweep, channel 2, ") || !strings.Contains(got[0], "gain_db is -6.02 dB") {
		t.Errorf("%q", got)
	}
}

// A mask is straight over the logarithm of frequency, and both sides of a step hold.
func TestMask(t *testing.T) {
	m := Mask{{100, -1, 1}, {1000, -3, 3}, {1000, -1, 1}, {10000, math.Inf(-1), 1}}
	for _, c := range []struct{ hz, least, most float64 }{
		{100, -1, 1}, {math.Sqrt(100 * 1000), -2, 2}, {999.9999999, -3, 3}, {1000, -1, 1}, {2000, math.Inf(-1), 1}, {50, math.Inf(-1), math.Inf(1)},
	} {
		least, most := m.bounds().At(c.hz)
		if !(math.Abs(least-c.least) < 1e-6 || least == c.least) || !(math.Abs(most-c.most) < 1e-6 || most == c.most) { // 1e-6: the point beside the step
			t.Errorf("at %g Hz: %g to %g, want %g to %g", c.hz, least, most, c.least, c.most)
		}
	}
}
