package dsp

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// square is a square wave: |x| is constant, so a level step has one moment.
func square(amplitude float64, frames, rate int) []float64 {
	x := make([]float64, frames)
	for n := range x {
		x[n] = amplitude
		if n/(rate/2000)%2 == 1 {
			x[n] = -amplitude
		}
	}
	return x
}

func sine(amplitude, hz float64, frames, rate int) []float64 {
	x := make([]float64, frames)
	for n := range x {
		x[n] = amplitude * math.Sin(2*math.Pi*hz*float64(n)/float64(rate))
	}
	return x
}

func fromDB(db float64) float64 { return math.Pow(10, db/20) }
func toDB(x float64) float64    { return 20 * math.Log10(x) }

// gainsOf runs a stage over a mono sound and returns its gain in dB, frame by
// frame.
func gainsOf(p GainTracer, x []float64) []float64 {
	gain := NewBlock(1, len(x))
	p.ProcessTraced(Block{slices.Clone(x)}, gain)
	for n, g := range gain[0] {
		gain[0][n] = toDB(g)
	}
	return gain[0]
}

func mustCompressor(t testing.TB, s CompressorSettings, rate, channels int) *Compressor {
	t.Helper()
	c, err := NewCompressor(s, rate, channels)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func mustExpander(t testing.TB, s ExpanderSettings, rate, channels int) *Expander {
	t.Helper()
	e, err := NewExpander(s, rate, channels)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// Steady tones from −80 to 0 dBFS through the whole stage come out by the
// formula within 0.01 dB.
func TestStaticCurves(t *testing.T) {
	const rate = 48000
	for _, kind := range []DetectorKind{Peak, RMS} {
		for _, hz := range []float64{100, 997, 1000, 5000} {
			for level := -80.0; level <= 0; level += 5 {
				x := sine(fromDB(level), hz, rate, rate)
				seen := level // the level on the detector's scale
				window := 10.0
				if kind == RMS {
					seen -= 10 * math.Log10(2) // a sine's rms under its peak
					window = 40
				}
				c := mustCompressor(t, CompressorSettings{ThresholdDBFS: -30, Ratio: 4, KneeDB: 6, AttackMs: 5, ReleaseMs: 30, Detector: kind, DetectorWindowMs: window}, rate, 1)
				got := gainsOf(c, x)[rate-1]
				if want := -compressorCurve(seen, -30, 4, 6); math.Abs(got-want) > 0.01 {
					t.Errorf("compressor, detector %d, %g Hz at %g dBFS: gain %.4f dB, want %.4f", kind, hz, level, got, want)
				}
				e := mustExpander(t, ExpanderSettings{ThresholdDBFS: -40, Ratio: 2, KneeDB: 6, RangeDB: 30, AttackMs: 5, ReleaseMs: 30, Detector: kind, DetectorWindowMs: window}, rate, 1)
				got = gainsOf(e, x)[rate-1]
				if want := -min(30, expanderCurve(seen, -40, 2, 6)); math.Abs(got-want) > 0.01 {
					t.Errorf("expander, detector %d, %g Hz at %g dBFS: gain %.4f dB, want %.4f", kind, hz, level, got, want)
				}
			}
		}
	}
}

// timeConstant is the time in ms in which a gain in dB makes 1 − 1/e of its
// change from the frame at which the level steps, which counts as a whole
// period; between frames the exponential is interpolated.
func timeConstant(gain []float64, step, settled, rate int) float64 {
	before, after := gain[step-1], gain[settled]
	last := 1.0
	for k := 0; step+k < len(gain); k++ {
		rest := (gain[step+k] - after) / (before - after)
		if rest <= 1/math.E {
			u := 1.0
			if rest > 0 {
				u = math.Log(last*math.E) / math.Log(last/rest)
			}
			return (float64(k) + u) * 1000 / float64(rate)
		}
		last = rest
	}
	return math.NaN()
}

// Attack and release measure as set within 0.1 %, by the definition 1 − 1/e of
// the change in dB, from 0.1 to 500 ms, for steps of 3 to 40 dB.
func TestTimesMeasureAsSet(t *testing.T) {
	rates := []int{44000, 48000, 96000} // whole periods of the 1 kHz square
	times := []float64{0.1, 0.5, 1, 5, 20, 100, 500}
	if testing.Short() {
		rates, times = rates[1:2], []float64{0.1, 5, 100}
	}
	for _, rate := range rates {
		for _, ms := range times {
			for _, step := range []float64{3, 6, 12, 20, 40} {
				settle := int(max(20, 25*ms) * float64(rate) / 1000)
				window := rate / 100
				low, high := square(fromDB(-50), settle, rate), square(fromDB(-50+step), settle, rate)
				x := append(append(slices.Clone(low), high...), append(slices.Clone(low), low...)...)
				check := func(what string, got float64) {
					t.Helper()
					if !(math.Abs(got/ms-1) <= 0.001) {
						t.Errorf("%s of %g ms at %d Hz, step %g dB: measured %.6g ms", what, ms, rate, step, got)
					}
				}
				// All of the step lies on the slope of the curve.
				c := mustCompressor(t, CompressorSettings{ThresholdDBFS: -55, Ratio: 4, AttackMs: ms, ReleaseMs: ms, Detector: Peak, DetectorWindowMs: 10}, rate, 1)
				g := gainsOf(c, x)
				check("compressor's attack", timeConstant(g, settle, 2*settle-1, rate))
				// The release begins when the detector's window has passed.
				check("compressor's release", timeConstant(g, 2*settle+window-1, len(g)-1, rate))

				e := mustExpander(t, ExpanderSettings{ThresholdDBFS: -5, Ratio: 2, RangeDB: 100, AttackMs: ms, ReleaseMs: ms, Detector: Peak, DetectorWindowMs: 10}, rate, 1)
				g = gainsOf(e, x)
				check("expander's attack", timeConstant(g, settle, 2*settle-1, rate))
				check("expander's release", timeConstant(g, 2*settle+window-1, len(g)-1, rate))
			}
		}
	}
}

func TestHoldLastsAsSet(t *testing.T) {
	const rate = 48000
	x := append(square(0.5, rate/2, rate), square(0.001, rate/2, rate)...)
	for _, ms := range []float64{0, 1, 40, 150} {
		window := Frames(10, rate)
		want := rate/2 + window - 1 + Frames(ms, rate) // the first frame that moves
		c := mustCompressor(t, CompressorSettings{ThresholdDBFS: -20, Ratio: 2, HoldMs: ms, ReleaseMs: 50, Detector: Peak, DetectorWindowMs: 10}, rate, 1)
		e := mustExpander(t, ExpanderSettings{ThresholdDBFS: -20, Ratio: 2, RangeDB: 20, HoldMs: ms, ReleaseMs: 50, Detector: Peak, DetectorWindowMs: 10}, rate, 1)
		for name, g := range map[string][]float64{"compressor": gainsOf(c, x), "expander": gainsOf(e, x)} {
			at := rate / 2
			for at < len(g) && g[at] == g[rate/2-1] {
				at++
			}
			if at != want {
				t.Errorf("%s, hold %g ms: the gain moves at frame %d, want %d", name, ms, at, want)
			}
		}
	}
}

// residual is what a least-squares sine leaves of a steady tone, against the
// tone, in dB: THD+N over the whole band (AES17-2015 6.3.1 with a perfect
// notch).
func residual(x []float64, hz float64, rate int) float64 {
	var ss, sc, cc, xs, xc float64
	for n, v := range x {
		s, c := math.Sincos(2 * math.Pi * hz * float64(n) / float64(rate))
		ss, sc, cc, xs, xc = ss+s*s, sc+s*c, cc+c*c, xs+v*s, xc+v*c
	}
	det := ss*cc - sc*sc
	a, b := (xs*cc-xc*sc)/det, (xc*ss-xs*sc)/det
	var rest, all float64
	for n, v := range x {
		s, c := math.Sincos(2 * math.Pi * hz * float64(n) / float64(rate))
		e := v - a*s - b*c
		rest, all = rest+e*e, all+v*v
	}
	return 10 * math.Log10(rest/all)
}

// Steady tones from 60 Hz under 6 dB of compression: with a peak detector the
// gain is constant, and THD+N is rounding.
func TestCompressorDoesNotDistortTones(t *testing.T) {
	for _, rate := range []int{44100, 48000, 96000} {
		for _, hz := range []float64{60, 100, 441, 997, 1000, 3000, 5000, 10000} {
			// 8 dB over the threshold at 4:1 is 6 dB of compression.
			c := mustCompressor(t, CompressorSettings{ThresholdDBFS: -14, Ratio: 4, AttackMs: 5, ReleaseMs: 100, Detector: Peak, DetectorWindowMs: 10}, rate, 1)
			x := sine(0.5, hz, 2*rate, rate)
			c.Process(Block{x})
			if got := toDB(peak(x[rate:]) / 0.5); math.Abs(got+6) > 0.05 {
				t.Errorf("%g Hz at %d Hz: %.3f dB of compression, meant 6", hz, rate, -got)
			}
			// The promise is −120 dB. A high tone that the rate nearly
			// divides (4999 Hz at 48 kHz) has sampled peaks that beat over
			// longer than the window: it reads −104 dB.
			if r := residual(x[rate:], hz, rate); r > -120 {
				t.Errorf("%g Hz at %d Hz: THD+N %.1f dB", hz, rate, r)
			}
		}
	}
}

func peak(x []float64) float64 {
	largest := 0.0
	for _, v := range x {
		largest = max(largest, math.Abs(v))
	}
	return largest
}

// Noise whose level lies at the threshold does not make the expander chatter.
func TestExpanderDoesNotChatter(t *testing.T) {
	const rate = 48000
	rng := rand.New(rand.NewPCG(4, 5))
	x := make([]float64, 20*rate)
	low := 0.0
	for n := range x {
		low += 0.05 * (rng.Float64() - 0.5 - low) // falls with frequency, as room noise does
		x[n] = low
	}
	level := 0.0
	for _, v := range x {
		level += v * v
	}
	rms := 10 * math.Log10(level/float64(len(x)))
	changes := func(hysteresis, hold float64) int {
		s := ExpanderSettings{ThresholdDBFS: rms + 1, Ratio: 2, RangeDB: 12, HysteresisDB: hysteresis, HoldMs: hold, AttackMs: 1, ReleaseMs: 100, Detector: RMS, DetectorWindowMs: 20}
		e := mustExpander(t, s, rate, 1)
		g := gainsOf(e, x)
		count := 0
		for n := 1; n < len(g); n++ {
			if (g[n] == 0) != (g[n-1] == 0) {
				count++
			}
		}
		return count
	}
	bare, safe := changes(0, 0), changes(3, 60)
	t.Logf("changes in 20 s: %d bare, %d with 3 dB of hysteresis and 60 ms of hold", bare, safe)
	if bare < 50 || safe > 10 {
		t.Errorf("changes in 20 s: %d bare (meant to be many), %d with hysteresis and hold (at most 10)", bare, safe)
	}
}

// Linked channels share one gain, so the image between them stays; unlinked
// ones do not.
func TestLinkingKeepsTheImage(t *testing.T) {
	const rate = 48000
	for _, linked := range []bool{true, false} {
		b := Block{sine(0.9, 300, rate, rate), sine(0.05, 700, rate, rate)}
		gain := NewBlock(2, rate)
		mustCompressor(t, CompressorSettings{ThresholdDBFS: -20, Ratio: 4, AttackMs: 1, ReleaseMs: 50, Detector: Peak, DetectorWindowMs: 10, LinkChannels: linked}, rate, 2).ProcessTraced(b, gain)
		shift := toDB(gain[0][rate-1] / gain[1][rate-1])
		if linked && shift != 0 || !linked && math.Abs(shift) < 10 {
			t.Errorf("linked %v: the channels' gains lie %.2f dB apart", linked, shift)
		}
	}
}

// The gain has moved by the time a sudden sound arrives: with look-ahead of
// three time constants all but e⁻³ of the way.
func TestLookaheadIsLatency(t *testing.T) {
	const rate = 48000
	for _, ms := range []float64{0, 0.5, 5, 15} {
		c := mustCompressor(t, CompressorSettings{ThresholdDBFS: -20, Ratio: 4, AttackMs: 5, ReleaseMs: 100, LookaheadMs: ms, Detector: Peak, DetectorWindowMs: 10}, rate, 1)
		want := Frames(ms, rate)
		x := append(make([]float64, 1000), square(0.5, rate, rate)...)
		g := gainsOf(c, x)
		arrives := 1000 + want
		if c.Latency() != want {
			t.Errorf("look-ahead %g ms: latency %d frames, want %d", ms, c.Latency(), want)
		}
		rest := (g[arrives] - g[len(g)-1]) / -g[len(g)-1]
		if expect := math.Exp(-(ms + 1000.0/rate) / 5); math.Abs(rest-expect) > 0.001 {
			t.Errorf("look-ahead %g ms: %.4f of the change is left when the sound arrives, want %.4f", ms, rest, expect)
		}
	}
}

func TestSidechainHighPassIsOnlyHeard(t *testing.T) {
	const rate = 48000
	s := CompressorSettings{ThresholdDBFS: -30, Ratio: 4, AttackMs: 1, ReleaseMs: 50, Detector: Peak, DetectorWindowMs: 20}
	rumble := sine(0.5, 30, rate, rate)
	if g := gainsOf(mustCompressor(t, s, rate, 1), rumble)[rate-1]; g > -15 {
		t.Errorf("without side chain: gain %.2f dB on rumble", g)
	}
	s.SidechainHighPassHz = 200
	c := mustCompressor(t, s, rate, 1)
	// 12 dB/oct, 2.74 octaves under the corner: −33 dB.
	if g := gainsOf(c, rumble)[rate-1]; g < -2 {
		t.Errorf("with side chain: gain %.2f dB on rumble", g)
	}
	c.Reset()
	x := sine(0.01, 30, rate, rate) // under the threshold either way
	c.Process(Block{x})
	if want := sine(0.01, 30, rate, rate); !slices.Equal(x, want) {
		t.Error("the side chain's filter is heard in the output")
	}
}

func TestDynamicsRefuse(t *testing.T) {
	good := CompressorSettings{ThresholdDBFS: -20, Ratio: 2, AttackMs: 1, ReleaseMs: 1, DetectorWindowMs: 10}
	for key, spoil := range map[string]func(*CompressorSettings){
		"threshold_dbfs":        func(s *CompressorSettings) { s.ThresholdDBFS = math.NaN() },
		"ratio":                 func(s *CompressorSettings) { s.Ratio = 0.5 },
		"knee_db":               func(s *CompressorSettings) { s.KneeDB = -1 },
		"attack_ms":             func(s *CompressorSettings) { s.AttackMs = -1 },
		"hold_ms":               func(s *CompressorSettings) { s.HoldMs = math.Inf(1) },
		"release_ms":            func(s *CompressorSettings) { s.ReleaseMs = 1e9 },
		"makeup_db":             func(s *CompressorSettings) { s.MakeupDB = 1000 },
		"lookahead_ms":          func(s *CompressorSettings) { s.LookaheadMs = -2 },
		"detector":              func(s *CompressorSettings) { s.Detector = 7 },
		"detector_window_ms":    func(s *CompressorSettings) { s.DetectorWindowMs = 0 },
		"sidechain_highpass_hz": func(s *CompressorSettings) { s.SidechainHighPassHz = 24000 },
	} {
		s := good
		spoil(&s)
		_, err := NewCompressor(s, 48000, 1)
		var setting *SettingError
		if !errors.As(err, &setting) || setting.Setting != key {
			t.Errorf("%s spoilt: %v", key, err)
		}
	}
	for _, f := range [][2]int{{0, 1}, {48000, 0}, {48000, 65}} {
		if _, err := NewCompressor(good, f[0], f[1]); err == nil {
			t.Errorf("%d channels at %d Hz: no error", f[1], f[0])
		}
	}
}

func dynamicsProgrammes() map[string]Block {
	const rate, frames = 48000, 48000
	programmes := map[string]Block{"silence": NewBlock(2, frames), "speech": NewBlock(2, frames), "crushed": NewBlock(2, frames)}
	rng := rand.New(rand.NewPCG(8, 9))
	for c := range 2 {
		for n := range frames {
			// Invented: pulses of a voice at 120 Hz under a syllable's envelope.
			t := float64(n) / rate
			syllable := math.Max(0, math.Sin(2*math.Pi*3.1*t))
			voice := math.Exp(-math.Mod(t*120, 1)*6) * math.Sin(2*math.Pi*700*math.Mod(t, 1.0/120))
			programmes["speech"][c][n] = 0.3*syllable*voice + 0.001*(rng.Float64()-0.5)
			programmes["crushed"][c][n] = math.Max(-1, math.Min(1, 4*(rng.Float64()-0.5)))
		}
	}
	return programmes
}

func BenchmarkDynamics(b *testing.B) {
	const rate = 48000
	stages := map[string]func(channels int) (GainTracer, error){
		"compressor": func(channels int) (GainTracer, error) {
			return NewCompressor(CompressorSettings{ThresholdDBFS: -24, Ratio: 3, KneeDB: 6, AttackMs: 5, ReleaseMs: 100, MakeupDB: 6, Detector: Peak, DetectorWindowMs: 10, LinkChannels: true}, rate, channels)
		},
		"expander": func(channels int) (GainTracer, error) {
			return NewExpander(ExpanderSettings{ThresholdDBFS: -45, Ratio: 2, RangeDB: 12, HysteresisDB: 3, AttackMs: 1, HoldMs: 60, ReleaseMs: 120, LookaheadMs: 5,
				Detector: RMS, DetectorWindowMs: 20, SidechainHighPassHz: 80, LinkChannels: true}, rate, channels)
		},
		"de-esser": func(channels int) (GainTracer, error) {
			return NewDeEsser(DeEsserSettings{CentreHz: 6500, Q: 1, KeyLowHz: 4000, KeyHighHz: 9000, Relative: true, RelativeDB: -9, Ratio: 4, RangeDB: 6, AttackMs: 1, ReleaseMs: 50, LinkChannels: true}, rate, channels)
		},
	}
	programmes := dynamicsProgrammes()
	for _, name := range []string{"expander", "compressor", "de-esser"} {
		for _, programme := range []string{"speech", "silence", "crushed"} {
			for _, channels := range []int{1, 2} {
				b.Run(fmt.Sprintf("stage=%s/programme=%s/ch=%d", name, programme, channels), func(b *testing.B) {
					p, err := stages[name](channels)
					if err != nil {
						b.Fatal(err)
					}
					in := programmes[programme]
					block := NewBlock(channels, 1024)
					frames := 0
					for b.Loop() {
						from := frames % (48000 - 1024)
						for c := range block {
							copy(block[c], in[c][from:])
						}
						p.Process(block)
						frames += 1024
					}
					b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(frames*channels), "ns/sample")
				})
			}
		}
	}
}
