package expect

import (
	"context"
	"encoding/json"
	"math"
	"math/rand/v2"
	"regexp"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// through is a take after a chain.
func through(t testing.TB, x []float64, rate int, stages string) []float64 {
	t.Helper()
	c, err := chain.Parse("change.toml", []byte("schema = 1\n"+stages))
	if err != nil {
		t.Fatal(err)
	}
	engine, err := c.Prepare(rate, 1)
	if err != nil {
		t.Fatal(err)
	}
	out, err := engine.ProcessPlanes(context.Background(), dsp.Block{append([]float64(nil), x...)})
	if err != nil {
		t.Fatal(err)
	}
	return out[0]
}

// filtered is a sound after filters, in direct form.
func filtered(x []float64, sections ...dsp.Biquad) []float64 {
	for _, s := range sections {
		var x1, x2, y1, y2 float64
		x = mapped(x, func(_ int, v float64) float64 {
			y := s.B0*v + s.B1*x1 + s.B2*x2 - s.A1*y1 - s.A2*y2
			x1, x2, y1, y2 = v, x1, y, y1
			return y
		})
	}
	return x
}

func filterOf(design func(rate float64) []dsp.Biquad) func(testing.TB, []float64, int) []float64 {
	return func(_ testing.TB, x []float64, rate int) []float64 { return filtered(x, design(float64(rate))...) }
}

// mapped changes sample by sample.
func mapped(x []float64, f func(n int, v float64) float64) []float64 {
	out := make([]float64, len(x))
	for n, v := range x {
		out[n] = f(n, v)
	}
	return out
}

func dithered(x []float64, bits int, seed uint64) []float64 {
	q, err := wave.NewQuantiser(wave.Format{Rate: 48000, Channels: 1, Encoding: wave.Integer, Bits: bits}, wave.TPDF, seed)
	if err != nil {
		panic(err)
	}
	b := dsp.Block{append([]float64(nil), x...)}
	q.Round(b)
	return b[0]
}

// kindOfChange is something that happens to a sound between two builds.
type kindOfChange struct {
	name   string
	change func(t testing.TB, x []float64, rate int) []float64
	says   string // what the first sentence says, as a regular expression; "": nothing changed
	passes bool
	light  bool // is tried without the switch too
	raw    bool // is made from the sound ahead of its dither
}

func gainOf(db float64) func(testing.TB, []float64, int) []float64 {
	return func(_ testing.TB, x []float64, _ int) []float64 { return testsound.Times(x, dsp.DBToAmplitude(db)) }
}

func delayOf(frames int) func(testing.TB, []float64, int) []float64 {
	return func(_ testing.TB, x []float64, _ int) []float64 {
		return mapped(x, func(n int, _ float64) float64 {
			if n-frames < 0 || n-frames >= len(x) {
				return 0
			}
			return x[n-frames]
		})
	}
}

func stagesOf(stages string) func(testing.TB, []float64, int) []float64 {
	return func(t testing.TB, x []float64, rate int) []float64 { return through(t, x, rate, stages) }
}

func addedOf(f func(n, rate int, rng *rand.Rand) float64) func(testing.TB, []float64, int) []float64 {
	return func(_ testing.TB, x []float64, rate int) []float64 {
		rng := rand.New(rand.NewPCG(1, 2))
		return mapped(x, func(n int, v float64) float64 { return v + f(n, rate, rng) })
	}
}

func clickOf(db float64, at float64) func(testing.TB, []float64, int) []float64 {
	return addedOf(func(n, rate int, _ *rand.Rand) float64 {
		if n == int(at*float64(rate)) {
			return dsp.DBToAmplitude(db)
		}
		return 0
	})
}

func between(from, to float64, f func(v float64) float64) func(testing.TB, []float64, int) []float64 {
	return func(_ testing.TB, x []float64, rate int) []float64 {
		return mapped(x, func(n int, v float64) float64 {
			if at := float64(n) / float64(rate); at >= from && at < to {
				return f(v)
			}
			return v
		})
	}
}

var kindsOfChange = []kindOfChange{
	{"the same", func(_ testing.TB, x []float64, _ int) []float64 { return x }, "", true, true, false},
	{"another seed at 16 bits", func(_ testing.TB, x []float64, _ int) []float64 { return dithered(x, 16, 7) }, `differs by noise at -9[2-4]\.\d dBFS, as another dither seed`, true, true, true},
	{"another seed at 24 bits", func(_ testing.TB, x []float64, _ int) []float64 { return dithered(x, 24, 7) }, `differs by noise at -9[5-7]\.\d dBFS, as another dither seed`, true, false, true},
	{"rounding of 1e-9", func(_ testing.TB, x []float64, _ int) []float64 {
		return mapped(x, func(n int, v float64) float64 { return v * (1 + 1e-9*float64(n%3-1)) })
	}, `differs by rounding|same sums`, true, true, false},
	{"32-bit floating point", func(_ testing.TB, x []float64, _ int) []float64 {
		return mapped(x, func(_ int, v float64) float64 { return float64(float32(v * 1.0000001)) })
	}, `as another dither seed or other rounding|differs by rounding`, true, false, false},
	{"0.05 dB louder", gainOf(0.05), `^is 0\.05 dB louder`, false, true, false},
	{"0.05 dB quieter", gainOf(-0.05), `^is 0\.05 dB quieter`, false, false, false},
	{"1 dB quieter", gainOf(-1), `^is 1\.00 dB quieter`, false, false, false},
	{"20 dB louder", gainOf(20), `^is 20\.00 dB louder`, false, false, false},
	{"inverted", func(_ testing.TB, x []float64, _ int) []float64 { return testsound.Times(x, -1) }, `^is inverted in polarity`, false, false, false},
	{"1 frame later", delayOf(1), `^is 1 frame later`, false, true, false},
	{"1 frame earlier", delayOf(-1), `^is 1 frame earlier`, false, false, false},
	{"7 frames later", delayOf(7), `^is 7 frames later`, false, false, false},
	{"480 frames later", delayOf(480), `^is 480 frames later`, false, false, false},
	{"half a second later", delayOf(7000), `^is 7000 frames later`, false, false, false},
	{"later, quieter", func(t testing.TB, x []float64, rate int) []float64 {
		return delayOf(3)(t, gainOf(-2)(t, x, rate), rate)
	}, `^is 3 frames later, 2\.00 dB quieter`, false, false, false},
	{"0.5 frames later", func(_ testing.TB, x []float64, _ int) []float64 {
		return betweenFrames(x, func(int) float64 { return 0.5 })
	}, `^is 0\.5 frames later`, false, true, false},
	{"a click of -40 dBFS", clickOf(-40, 3.0625), `^has one click at 00:00:03\.062, -(39|40)\.\d dBFS`, false, true, false},
	{"a click of -26 dBFS", clickOf(-26, 1.25), `^has one click at 00:00:01\.250, -2[56]\.\d dBFS`, false, false, false},
	{"a click on the last frames", func(_ testing.TB, x []float64, _ int) []float64 {
		return mapped(x, func(n int, v float64) float64 {
			if n == len(x)-2 {
				v += 0.05
			}
			return v
		})
	}, `^has one click at `, false, false, false},
	{"three clicks", func(t testing.TB, x []float64, rate int) []float64 {
		return clickOf(-30, 1)(t, clickOf(-40, 2)(t, clickOf(-20, 3)(t, x, rate), rate), rate)
	}, `^has 3 clicks, the largest at 00:00:03\.000, -20\.\d dBFS`, false, false, false},
	{"a click and another seed", func(t testing.TB, x []float64, rate int) []float64 {
		return clickOf(-40, 2.5)(t, dithered(x, 16, 9), rate)
	}, `^has one click at 00:00:02\.(49[89]|50[01]), -(39|40)\.\d dBFS`, false, true, false},
	{"a dropout of 60 ms", between(2.0, 2.06, func(float64) float64 { return 0 }), `^(is silent|has another sound) in [234] blocks? of 24 ms from 00:00:0(1\.9|2\.0)`, false, true, false},
	{"a word 6 dB down", between(2.0, 2.3, func(v float64) float64 { return v / 2 }), `has another sound in 1[2-5] blocks of 24 ms from 00:00:0(1\.9|2\.0)|rest of|quieter`, false, false, false},
	{"a bell of 0.1 dB", filterOf(func(rate float64) []dsp.Biquad { return []dsp.Biquad{dsp.CookbookBell(1000, 0.1, 1, rate)} }), `0\.0?\d* dB up around (1|1\.25|0\.8)|up around (800|1000|1250) Hz`, false, true, false},
	{"a bell of 3 dB", filterOf(func(rate float64) []dsp.Biquad { return []dsp.Biquad{dsp.CookbookBell(2000, 3, 1, rate)} }), `[23]\.\d dB up around (1\.6|2|2\.5) kHz|up around \d+ Hz`, false, false, false},
	{"a shelf of 1 dB", filterOf(func(rate float64) []dsp.Biquad { return []dsp.Biquad{dsp.CookbookHighShelf(4000, 1, 0.7, rate)} }), `(above|around|below)`, false, false, false},
	{"a low-pass at 5 kHz", filterOf(func(rate float64) []dsp.Biquad { return dsp.ButterworthLowPass(8, 5000, rate) }), `low-passed at (4|5|6\.3|6)`, false, false, false},
	{"a high-pass at 150 Hz", filterOf(func(rate float64) []dsp.Biquad { return dsp.ButterworthHighPass(8, 150, rate) }), `high-passed at 1[026]|high-passed at 200|below`, false, false, false},
	{"a tone of -50 dBFS", addedOf(func(n, rate int, _ *rand.Rand) float64 {
		return 0.00447 * math.Sin(2*math.Pi*1000*float64(n)/float64(rate))
	}), `has a steady difference at -5[0-3]|up around`, false, false, false},
	{"hum of -60 dBFS", addedOf(func(n, rate int, _ *rand.Rand) float64 {
		return 0.001414 * math.Sin(2*math.Pi*50*float64(n)/float64(rate))
	}), `has a steady difference at -6|up (around|below)|has another sound`, false, false, false},
	{"noise of -70 dBFS", addedOf(func(_, _ int, rng *rand.Rand) float64 { return 0.000316 * rng.NormFloat64() }), `has a steady difference at -(69|70)|up (around|above)`, false, true, false},
	{"an offset of -50 dBFS", addedOf(func(int, int, *rand.Rand) float64 { return 0.00316 }), `has a steady difference at -(49|50)|rest of|up`, false, false, false},
	{"clipped at half its peak", func(_ testing.TB, x []float64, _ int) []float64 {
		most := 0.0
		for _, v := range x {
			most = max(most, math.Abs(v))
		}
		return mapped(x, func(_ int, v float64) float64 { return max(-most/2, min(v, most/2)) })
	}, `has another sound|rest of|quieter`, false, false, false},
	{"compressed", stagesOf("[[stage]]\nkind = \"compressor\"\nthreshold_dbfs = -30\nratio = 2\n"), `quieter|rest of|up|down`, false, false, false},
	{"20 ms cut out", func(_ testing.TB, x []float64, rate int) []float64 {
		at, n := 3*rate, rate/50
		return append(append(append([]float64(nil), x[:at]...), x[at+n:]...), make([]float64, n)...)
	}, `^has \d+ frames \(20 ms\) missing at 00:00:0(2\.9|3\.0)`, false, true, false},
	{"20 ms put in", func(_ testing.TB, x []float64, rate int) []float64 {
		at, n := 3*rate, rate/50
		return append(append(append([]float64(nil), x[:at]...), make([]float64, n)...), x[at:len(x)-n]...)
	}, `^has \d+ frames \(20 ms\) more at 00:00:0(2\.9|3\.0)`, false, false, false},
	{"the clock 20 ppm slow", func(_ testing.TB, x []float64, _ int) []float64 {
		return betweenFrames(x, func(n int) float64 { return float64(n) * 20e-6 })
	}, `^is (19|20)\.\d\d ppm longer`, false, false, false},
	{"the end is missing", func(_ testing.TB, x []float64, _ int) []float64 { return x[:len(x)-4000] }, `4000 frames shorter`, false, false, false},
	{"longer by silence", func(_ testing.TB, x []float64, _ int) []float64 {
		return append(append([]float64(nil), x...), make([]float64, 500)...)
	}, `500 frames longer`, false, false, false},
	{"backwards", func(_ testing.TB, x []float64, _ int) []float64 {
		return mapped(x, func(n int, _ float64) float64 { return x[len(x)-1-n] })
	}, `^is another sound`, false, true, false},
	{"silence", func(_ testing.TB, x []float64, _ int) []float64 { return make([]float64, len(x)) }, `^is silent in channel 1`, false, true, false},
	{"noise in its place", func(_ testing.TB, x []float64, _ int) []float64 { return testsound.Noise(len(x), 0.1, 3) }, `^is another sound`, false, false, false},
}

// betweenFrames delays by fractions of a frame, by a long sinc of its own.
func betweenFrames(x []float64, delay func(n int) float64) []float64 {
	return mapped(x, func(n int, _ float64) (sum float64) {
		d := delay(n)
		sin := -math.Sin(math.Pi*d) / math.Pi // the same for each tap, but for its sign
		for k := max(0, n-200); k < min(len(x), n+200); k++ {
			t := float64(n-k) - d
			if t == 0 {
				return x[k]
			}
			w := 1 - t*t/(202*202)
			sum += x[k] * float64(1-2*((n-k)&1)) * sin / t * w * w
		}
		return sum
	})
}

// takesToChange are real speech: a part of the demo take, and with the switch the rest of
// it and three readings of another voice.
func takesToChange(t testing.TB, all bool) (sounds [][]float64, rates []int) {
	demo, rate := testsound.ReadTake(t, "harbour-street.wav")
	half := len(demo[0]) / 2
	sounds, rates = append(sounds, demo[0][:half]), append(rates, rate)
	if all {
		sounds, rates = append(sounds, demo[0][half:]), append(rates, rate)
		recorded, rate := takes.Recorded(t, takes.Readings)
		for _, x := range recorded {
			if len(x) > 4*rate {
				sounds, rates = append(sounds, x), append(rates, rate)
			}
		}
	}
	return sounds, rates
}

func TestKindsOfChange(t *testing.T) {
	t.Run("light", func(t *testing.T) { kindsOfChangeIn(t, false) })
	t.Run("all", func(t *testing.T) {
		dsptest.Exhaustive(t)
		kindsOfChangeIn(t, true)
	})
}

func kindsOfChangeIn(t *testing.T, all bool) {
	sounds, rates := takesToChange(t, all)
	tried := 0
	for i, x := range sounds {
		rate := rates[i]
		raw := testsound.Times(x, 0.9876)
		x = dithered(raw, 16, 1)
		recorded, err := fingerprintOf(t.Context(), Planes(rate, dsp.Block{x}))
		if err != nil {
			t.Fatal(err)
		}
		b := &Baseline{SchemaVersion: BaselineSchema, History: []Reason{{Date: "2026-11-25", Why: "first", SamplesSHA256: recorded.SamplesSHA256}}, Fingerprint: *recorded}
		text, err := json.Marshal(b)
		if err != nil {
			t.Fatal(err)
		}
		if b, err = parseBaseline("baseline", text); err != nil {
			t.Fatal(err)
		}
		if perMinute := float64(len(text)) / (float64(len(x)) / float64(rate)) * 60; perMinute > 60_000+3000*60/8 { // and some 3 kB for what every baseline has
			t.Errorf("take %d: %.0f bytes a minute", i, perMinute)
		}
		for _, k := range kindsOfChange {
			if !all && !k.light {
				continue
			}
			tried++
			from := x
			if k.raw {
				from = raw
			}
			c, err := b.changeOf(t.Context(), Planes(rate, dsp.Block{k.change(t, from, rate)}))
			if err != nil {
				t.Fatal(err)
			}
			passes := true
			for _, limit := range b.Limits() {
				passes = passes && measure.Judge("x", rate, c.readings(), limit).Verdict == measure.Pass
			}
			says := c.sentence()
			if passes && !c.same() {
				says = c.onlyNoise()
			}
			if passes != k.passes || !regexp.MustCompile(k.says).MatchString(says) || k.says == "" && says != "" {
				t.Errorf("take %d, %s: passes is %t, %q; want %t, %q (difference %.1f dBFS, %d local, related %.6f, rest %.1f)", i, k.name, passes, says, k.passes, k.says,
					dsp.PowerToDB(c.energy/c.samples()), len(c.local), c.related, dsp.PowerToDB(c.rest/c.samples()))
			}
		}
	}
	t.Logf("%d changes of %d takes", tried, len(sounds))
}
