package dsp

import (
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
)

// square is a square wave of 1 kHz, the sign of a sine: |x| is constant, at any
// rate, so a level step has one moment.
func square(amplitude float64, frames, rate int) []float64 {
	x := make([]float64, frames)
	for n := range x {
		x[n] = amplitude
		if n*2000/rate%2 == 1 {
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

// shifted is a sine of a phase in samples.
func shifted(amplitude, hz, samples float64, frames, rate int) []float64 {
	x := make([]float64, frames)
	for n := range x {
		x[n] = amplitude * math.Sin(2*math.Pi*hz*(float64(n)+samples)/float64(rate))
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

// fataler is a *testing.T or a *rapid.T.
type fataler interface {
	Helper()
	Fatal(args ...any)
}

func mustCompressor(t fataler, s CompressorSettings, rate, channels int) *Compressor {
	t.Helper()
	c, err := NewCompressor(s, rate, channels)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func mustExpander(t fataler, s ExpanderSettings, rate, channels int) *Expander {
	t.Helper()
	e, err := NewExpander(s, rate, channels)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// Linked channels share one gain, so that the image between them stays to the
// bit. An unlinked channel is worked on as if it were alone.
func TestLinking(t *testing.T) {
	const rate = 48000
	for name, build := range map[string]func(linked bool, channels int) GainTracer{
		"compressor, peak": func(linked bool, channels int) GainTracer {
			return mustCompressor(t, CompressorSettings{ThresholdDBFS: -20, Ratio: 4, AttackMs: 1, ReleaseMs: 50, Detector: Peak, DetectorWindowMs: 10, LinkChannels: linked}, rate, channels)
		},
		"compressor, rms": func(linked bool, channels int) GainTracer {
			return mustCompressor(t, CompressorSettings{ThresholdDBFS: -30, Ratio: 4, AttackMs: 1, ReleaseMs: 50, Detector: RMS, DetectorWindowMs: 10, LinkChannels: linked}, rate, channels)
		},
		"expander, peak": func(linked bool, channels int) GainTracer {
			return mustExpander(t, ExpanderSettings{ThresholdDBFS: -20, Ratio: 4, RangeDB: 30, ReleaseMs: 50, Detector: Peak, DetectorWindowMs: 10, LinkChannels: linked}, rate, channels)
		},
	} {
		for _, channels := range []int{2, 3, 5} {
			in, gain := NewBlock(channels, rate), NewBlock(channels, rate)
			for c := range in {
				copy(in[c], sine(0.9/float64(1+3*c), 300+200*float64(c), rate, rate))
			}
			loudest := channels / 2 // not always the first
			in[loudest], in[0] = in[0], in[loudest]
			build(true, channels).ProcessTraced(clone(in), gain)
			for c := range gain {
				if !slices.Equal(gain[c], gain[0]) {
					t.Errorf("%s, linked: channel %d of %d has a gain of its own", name, c+1, channels)
				}
			}
			alone := NewBlock(1, rate)
			build(true, 1).ProcessTraced(clone(in[loudest:loudest+1]), alone)
			if got, want := gain[0][rate-1], alone[0][rate-1]; math.Abs(got-want) > 1e-12 {
				t.Errorf("%s, %d channels linked: gain %g, by the loudest channel %g", name, channels, got, want)
			}
			together := clone(in)
			build(false, channels).Process(together)
			for c := range in {
				alone := clone(in[c : c+1])
				build(false, 1).Process(alone)
				if !slices.Equal(together[c], alone[0]) {
					t.Errorf("%s, unlinked: channel %d of %d is not as if alone", name, c+1, channels)
				}
			}
		}
	}
}

func clone(b Block) Block {
	c := NewBlock(len(b), b.Frames())
	for i := range b {
		copy(c[i], b[i])
	}
	return c
}

// What comes out when a stage has nothing to do is what went in, to the bit,
// as late as Latency says: the compressor under its knee, the open expander,
// and a ratio of 1, on silence too.
func TestTransparentWhenIdle(t *testing.T) {
	const rate, frames = 44100, 20_000
	rng := rand.New(rand.NewPCG(2, 2))
	noise := make([]float64, frames)
	for n := range noise[:frames/2] { // and then silence
		noise[n] = 0.1 * (2*rng.Float64() - 1)
	}
	for name, p := range map[string]Processor{
		"compressor under the knee": mustCompressor(t, CompressorSettings{ThresholdDBFS: -10, Ratio: 4, KneeDB: 6, AttackMs: 1, ReleaseMs: 50, LookaheadMs: 3, Detector: Peak, DetectorWindowMs: 10}, rate, 1),
		"compressor, ratio 1":       mustCompressor(t, CompressorSettings{ThresholdDBFS: -60, Ratio: 1, AttackMs: 1, ReleaseMs: 50, Detector: RMS, DetectorWindowMs: 10}, rate, 1),
		"expander, ratio 1":         mustExpander(t, ExpanderSettings{ThresholdDBFS: 0, Ratio: 1, KneeDB: 6, RangeDB: 20, AttackMs: 1, ReleaseMs: 50, LookaheadMs: 7, Detector: Peak, DetectorWindowMs: 10}, rate, 1),
		"expander, range 0":         mustExpander(t, ExpanderSettings{ThresholdDBFS: 0, Ratio: math.Inf(1), AttackMs: 1, ReleaseMs: 50, Detector: RMS, DetectorWindowMs: 10}, rate, 1),
		"expander, open":            mustExpander(t, ExpanderSettings{ThresholdDBFS: -60, Ratio: 2, RangeDB: 20, HoldMs: 500, LookaheadMs: 7, Detector: Peak, DetectorWindowMs: 10}, rate, 1),
	} {
		x := slices.Clone(noise)
		p.Process(Block{x})
		late := p.Latency()
		if !slices.Equal(x[late:], noise[:frames-late]) {
			t.Errorf("%s: the sound changed", name)
		}
	}
}

// Where the output correlates best with the input is where Latency says, also
// while the gain moves.
func TestLatencyByCorrelation(t *testing.T) {
	const rate, frames = 48000, 24000
	rng := rand.New(rand.NewPCG(3, 3))
	noise := make([]float64, frames)
	for n := range noise {
		noise[n] = (2*rng.Float64() - 1) * math.Exp(-float64(n%4000)/1000)
	}
	for _, ms := range []float64{0, 1, 5.3, 20} {
		for name, p := range map[string]Processor{
			"compressor": mustCompressor(t, CompressorSettings{ThresholdDBFS: -20, Ratio: 4, KneeDB: 6, AttackMs: 1, ReleaseMs: 20, LookaheadMs: ms, Detector: Peak, DetectorWindowMs: 10}, rate, 1),
			"expander":   mustExpander(t, ExpanderSettings{ThresholdDBFS: -20, Ratio: 2, RangeDB: 20, AttackMs: 1, ReleaseMs: 20, LookaheadMs: ms, Detector: RMS, DetectorWindowMs: 20}, rate, 1),
		} {
			x := slices.Clone(noise)
			p.Process(Block{x})
			best, at := 0.0, -1
			for lag := range 1200 {
				sum := 0.0
				for n := lag; n < frames; n++ {
					sum += x[n] * noise[n-lag]
				}
				if sum > best {
					best, at = sum, lag
				}
			}
			if at != p.Latency() {
				t.Errorf("%s, look-ahead %g ms: correlates best %d frames late, Latency is %d", name, ms, at, p.Latency())
			}
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

func TestDynamicsRejectBadSettings(t *testing.T) {
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
	if _, err := NewCompressor(CompressorSettings{ThresholdDBFS: -20, Ratio: math.Inf(1), DetectorWindowMs: 10}, 48000, 1); err != nil {
		t.Errorf("infinite ratio: %v", err)
	}
	if _, err := NewCompressor(CompressorSettings{ThresholdDBFS: -20, Ratio: 0.25, DetectorWindowMs: 10}, 48000, 1); err == nil || !strings.Contains(err.Error(), "the inverse is 4") {
		t.Errorf("ratio 0.25: %v", err)
	}
	for _, f := range [][2]int{{0, 1}, {48000, 0}, {48000, 65}} {
		if _, err := NewCompressor(good, f[0], f[1]); err == nil {
			t.Errorf("%d channels at %d Hz: no error", f[1], f[0])
		}
	}
}

// exhaustive is dsptest.IsExhaustive, which tests inside this package cannot import.
func exhaustive() bool { return os.Getenv("BOOTHBENCH_EXHAUSTIVE") != "" }
