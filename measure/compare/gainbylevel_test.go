package compare

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// gainRider is a processor with a gain that follows the level: the plainest code, with
// nothing of the engine in it.
type gainRider struct {
	rate            float64
	attack, release float64                  // ms, of the mean square that it follows
	gain            func(db float64) float64 // dB, by the level in dBFS
	opens, closes   float64                  // ms, of the gain in dB; 0: at once
	trace           []float64                // dB, of each frame
}

func (g *gainRider) of(x []float64) []float64 {
	pole := func(ms float64) float64 {
		if ms == 0 {
			return 1
		}
		return 1 - math.Exp(-1000/ms/g.rate)
	}
	power, db := 0.0, 0.0
	out := make([]float64, len(x))
	g.trace = make([]float64, len(x))
	for n, v := range x {
		if v*v > power {
			power += pole(g.attack) * (v*v - power)
		} else {
			power += pole(g.release) * (v*v - power)
		}
		want := g.gain(10 * math.Log10(power+1e-15))
		if want > db {
			db += pole(g.opens) * (want - db)
		} else {
			db += pole(g.closes) * (want - db)
		}
		g.trace[n], out[n] = db, v*math.Pow(10, db/20)
	}
	return out
}

// at is the mean gain in dB, by A's energy, in blocks of 43 ms in which A has about a level.
func (g *gainRider) at(x []float64, dbfs float64) float64 {
	size := int(g.rate * 0.043)
	sum, weight := 0.0, 0.0
	for from := 0; from+size <= len(x); from += size / 2 {
		block := x[from : from+size]
		if level := dsp.AmplitudeToDB(rms(block)); math.Abs(level-dbfs) > 2 {
			continue
		}
		for n, v := range block {
			sum, weight = sum+v*v*g.trace[from+n], weight+v*v
		}
	}
	return sum / weight
}

func compressorOf(rate int, rng *rand.Rand, loud float64) (*gainRider, string) {
	threshold, ratio := loud-8-10*rng.Float64(), 2+6*rng.Float64()
	g := &gainRider{rate: float64(rate), attack: 1 + 10*rng.Float64(), release: 40 + 160*rng.Float64()}
	makeup := 10 * rng.Float64()
	g.gain = func(db float64) float64 { return makeup - max(0, db-threshold)*(1-1/ratio) }
	return g, fmt.Sprintf("%.1f:1 above %.1f dBFS, %.0f and %.0f ms", ratio, threshold, g.attack, g.release)
}

func expanderOf(rate int, rng *rand.Rand, floor float64) (*gainRider, string) {
	threshold, ratio, most := floor+4+6*rng.Float64(), 2+6*rng.Float64(), 6+30*rng.Float64()
	g := &gainRider{rate: float64(rate), attack: 5, release: 10 + 10*rng.Float64(), opens: 1 + 4*rng.Float64(), closes: 20 + 80*rng.Float64()}
	g.gain = func(db float64) float64 { return -min(most, max(0, threshold-db)*(ratio-1)) }
	return g, fmt.Sprintf("1:%.1f under %.1f dBFS, down to %.0f dB", ratio, threshold, -most)
}

// levelsOf are the levels in dBFS of the loud blocks of 43 ms and of the quiet ones.
func levelsOf(x []float64, rate int) (loud, quiet float64) {
	size := int(float64(rate) * 0.043)
	var levels []float64
	for from := 0; from+size <= len(x); from += size {
		levels = append(levels, dsp.AmplitudeToDB(rms(x[from:from+size])))
	}
	median(levels) // sorts
	return levels[len(levels)*95/100], levels[len(levels)*5/100]
}

// A gain that depends on the level is stated, towards loud or towards quiet, and by as much
// as the processor's own gain differs between the two levels. Recorded speech through
// compressors, limiters and expanders of random settings, with and without an equaliser and
// added noise behind.
func TestGainByLevelIsStated(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 32))
	cases := 2
	if dsptest.IsExhaustive() {
		cases = 48
	}
	sound, rate := testsound.ReadTake(t, "harbour-street.wav")
	x := filtered(sound[0], dsp.ButterworthHighPass(2, 40, float64(rate))...) // an offset would be a level
	loud, quiet := levelsOf(x, rate)
	missed := 0
	for i := range cases {
		kind := Compression
		g, what := compressorOf(rate, rng, loud)
		if i%2 == 1 {
			kind = Expansion
			g, what = expanderOf(rate, rng, quiet)
		}
		b := g.of(x)
		if i%4 >= 2 {
			b = filtered(b, dsp.CookbookBell(400+2000*rng.Float64(), 4, 1, float64(rate)))
			b = sum(b, white(len(b), -75, rng))
		}
		c := sameness(t, x, b, rate)
		d, found := of(c.Differences(), kind)
		if !found {
			missed++
			t.Logf("%s is not stated: %s", what, c.Summary())
			continue
		}
		at := c.byLevel.fall
		if kind == Expansion {
			at = c.byLevel.rise
		}
		truth := g.at(x, classMiddleDB(at.from)) - g.at(x, classMiddleDB(at.to))
		// Deep in a gate the blocks at its edges, and noise added behind it, have most of what B
		// has left: less is stated, by up to 3 in 10 dB.
		if off := math.Abs(d.Value - truth); off > max(1.5, 0.3*truth) {
			t.Errorf("%s: the gain moves by %.1f dB: %s", what, truth, c.Summary())
		}
		if other, both := of(c.Differences(), map[Kind]Kind{Compression: Expansion, Expansion: Compression}[kind]); both && other.Value > 1 {
			t.Errorf("%s: %s: %s", what, other, c.Summary())
		}
	}
	if missed > cases/10 {
		t.Errorf("%d of %d are not stated", missed, cases)
	}
}

// What has one gain at all levels is stated as none that depends on it: gains, filters, noise
// and hum in A or in B, clipping of either, delays, drift, edits, dropouts, rides of the level.
func TestOneGainAtAllLevelsIsNoGainByLevel(t *testing.T) {
	rng := rand.New(rand.NewPCG(33, 34))
	light := []string{"inverted", "bell", "low-pass", "added", "taken out", "noise in both", "clipped", "drift", "ride", "fade", "rounded to 12"}
	rounds := 1
	if dsptest.IsExhaustive() {
		rounds = 6
	}
	seen := 0
	for range rounds {
		for _, v := range voices(t) {
			if !dsptest.IsExhaustive() && seen > 0 {
				break
			}
			x, rate := v.sound, float64(v.rate)
			level := -75 + 40*rng.Float64()
			bell := dsp.CookbookBell(150+3000*rng.Float64(), 18*rng.Float64()-9, 0.5+2*rng.Float64(), rate)
			shelf := dsp.CookbookHighShelf(1000+3000*rng.Float64(), 18*rng.Float64()-9, 0.7, rate)
			added := [][]float64{white(len(x), level, rng), pink(len(x), level, rng), humOf(len(x), v.rate, level, rng)}[rng.IntN(3)]
			largest := 0.0
			for _, s := range x {
				largest = max(largest, math.Abs(s))
			}
			top := largest * (0.3 + 0.6*rng.Float64())
			clipped := make([]float64, len(x))
			for n, s := range x {
				clipped[n] = max(-top, min(top, s))
			}
			ride, period, phase := make([]float64, len(x)), 2+8*rng.Float64(), 6*rng.Float64()
			for n, s := range x {
				ride[n] = s * dsp.DBToAmplitude(2*math.Sin(phase+2*math.Pi*float64(n)/rate/period))
			}
			at := len(x)/3 + rng.IntN(len(x)/3)
			gone := append([]float64(nil), x...)
			clear(gone[at : at+v.rate/20])
			for what, pair := range map[string][2][]float64{
				"gain":           {x, testsound.Times(x, dsp.DBToAmplitude(20*rng.Float64()-15))},
				"inverted":       {x, testsound.Times(x, -0.5)},
				"bell":           {x, filtered(x, bell)},
				"bell in A":      {filtered(x, bell), x},
				"shelf":          {x, filtered(x, shelf)},
				"high-pass":      {x, filtered(x, dsp.ButterworthHighPass(2, 60+240*rng.Float64(), rate)...)},
				"low-pass":       {x, filtered(x, dsp.ButterworthLowPass(4, 2500+3000*rng.Float64(), rate)...)},
				"added":          {x, sum(x, added)},
				"taken out":      {sum(x, added), x},
				"much taken out": {sum(x, white(len(x), -40, rng)), x},
				"bell and added": {x, sum(filtered(x, bell), added)},
				"noise in both":  {sum(x, white(len(x), level, rng)), sum(x, white(len(x), level, rng))},
				"clipped":        {x, clipped},
				"clipped in A":   {clipped, x},
				"later":          {x, shifted(x, 32, func(n int) float64 { return float64(n) - 20.3 })},
				"drift":          {x, shifted(x, 32, func(n int) float64 { return float64(n) / (1 + 40e-6) })},
				"cut":            {x, append(append([]float64(nil), x[:at]...), x[at+v.rate/10:]...)},
				"dropout":        {x, gone},
				"click":          {x, func() []float64 { y := append([]float64(nil), x...); y[at] += 0.5; return y }()},
				"ride":           {x, ride},
				"fade": {x, func() []float64 {
					y := append([]float64(nil), x...)
					for n := range y {
						y[n] *= 1 - 0.8*float64(n)/float64(len(y))
					}
					return y
				}()},
				"rounded to 12": {x, func() []float64 {
					y := make([]float64, len(x))
					for n, s := range x {
						y[n] = math.Round(s*2048+rng.Float64()-rng.Float64()) / 2048
					}
					return y
				}()},
			} {
				if !dsptest.IsExhaustive() && !slices.Contains(light, what) {
					continue
				}
				seen++
				c := sameness(t, pair[0], pair[1], v.rate)
				for _, d := range c.Differences() {
					if d.Kind == Compression || d.Kind == Expansion {
						t.Errorf("%s, %s (%.0f dBFS, clipped at %.2f): %s", v.name, what, level, top/largest, c.Summary())
					}
				}
			}
		}
	}
	t.Logf("%d comparisons", seen)
}

// gain_db is the gain that the sentence states, also of a filtered and of a clipped copy, and
// it is the one that was given to the samples which were not clipped, or to the bands that a
// bell leaves as they are. The copy of an offset is no new one.
func TestOneGainIsStated(t *testing.T) {
	rng := rand.New(rand.NewPCG(35, 36))
	cases := 4
	if dsptest.IsExhaustive() {
		cases = 60
	}
	sounds := voices(t)
	for i := range cases {
		v := sounds[i/2%len(sounds)]
		gain := 12*rng.Float64() - 8
		a := make([]float64, len(v.sound))
		for n, s := range v.sound {
			a[n] = s + []float64{0, 0.01, -0.02}[i%3]
		}
		b := testsound.Times(a, dsp.DBToAmplitude(gain))
		if i%2 == 0 {
			b = filtered(b, dsp.CookbookBell(400+600*rng.Float64(), 4+3*rng.Float64(), 1.4, float64(v.rate)))
		} else {
			// Of the samples 1 or 2 % are cut off: most of 20 ms are as they were.
			sizes := make([]float64, len(b))
			for n, s := range b {
				sizes[n] = math.Abs(s)
			}
			slices.Sort(sizes)
			top := sizes[int((0.98+0.01*rng.Float64())*float64(len(sizes)))]
			for n, s := range b {
				b[n] = max(-top, min(top, s))
			}
		}
		c := sameness(t, a, b, v.rate)
		reads, _ := c.Readings().Get("gain_db")
		stated := 0.0
		if d, found := of(c.Differences(), Level); found {
			stated = d.Value
		}
		if math.Abs(stated-reads.Value) >= leastGainDB { // a smaller one is not stated
			t.Errorf("%s: gain_db is %v, the sentence has %.3f dB: %s", v.name, reads, stated, c.Summary())
		}
		// The skirts of a bell of 7 dB reach the median of the bands; most of 20 ms are not clipped.
		if math.Abs(reads.Value-gain) > []float64{0.35, 0.02}[i%2] {
			t.Errorf("%s: %v, want %.2f dB: %s", v.name, reads, gain, c.Summary())
		}
		if _, found := of(c.Differences(), Offset); found {
			t.Errorf("%s: an offset that both have: %s", v.name, c.Summary())
		}
	}
}

// What explain states of the gains has the figures that are computed with.
func TestGainsAreExplainedWithTheirFigures(t *testing.T) {
	low, _ := measure.Explain("gain_low_levels_db")
	whole, _ := measure.Explain("gain_db")
	response, _ := measure.Explain("response_difference_db")
	g := newGainByLevel(48000, 1, 0, 48000)
	for _, rate := range []int{8000, 11025, 16000, 22050, 32000, 44100, 48000, 65535, 96000, 192000, 384000} {
		if ms := 1000 * float64(newGainByLevel(rate, 1, 0, int64(rate)).length) / float64(rate); math.Round(ms) < 31 || math.Round(ms) > 62 {
			t.Errorf("blocks of %.1f ms at %d Hz", ms, rate)
		}
	}
	for text, figures := range map[string][]string{
		low.String():      {" 31 to 62 ms ", fmt.Sprintf(" %g dB;", classDB), fmt.Sprintf(" %g dB and %d standard errors", leastLevelDB, leastLevelErrors), fmt.Sprintf(" %d Hz", spectra.NominalHz(g.bands[0].Hz))},
		response.String(): {fmt.Sprintf(" %d standard errors", statedDeviations)},
		whole.String():    {fmt.Sprintf("(%d frames)", gainFrames), fmt.Sprintf(" %.1f dB", dsp.AmplitudeToDB(1+gainStray)), fmt.Sprintf(" %d ms", trackMs)},
	} {
		for _, figure := range figures {
			if !strings.Contains(text, figure) {
				t.Errorf("%q is not in %s", figure, text)
			}
		}
	}
}

// Noise in A lowers one estimate of what is quiet, noise in B raises the other: neither shows a
// gain that is lower or higher there. One that both show is there by the smaller of them.
func TestAddedNoiseIsNoGainByLevel(t *testing.T) {
	for _, c := range []struct {
		h1, h2 [2]float64 // of a loud and a quiet class
		want   float64
	}{
		{[2]float64{0, -3}, [2]float64{0, 0.1}, -0.1},
		{[2]float64{0, 0.1}, [2]float64{0, 3}, -3},
		{[2]float64{0, -6}, [2]float64{0, -5}, 5},
	} {
		if got := (levelCurve{h1: c.h1[:], h2: c.h2[:]}).drop(0, 1); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%v: %g, want %g", c, got, c.want)
		}
	}
}
