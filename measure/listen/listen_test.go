package listen

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

const rate = 48000

// source is sound in memory under a name.
func source(name string, b dsp.Block) Source {
	return Source{name, func() (wave.Source, error) { return wave.NewMemory(wave.Unquantised(rate, len(b)), b), nil }}
}

// voice is some seconds of noise whose level moves as a voice's does.
func voice(seconds float64) dsp.Block {
	x := testsound.Noise(int(seconds*rate), 0.1, 5)
	for i := range x {
		x[i] *= 0.6 + 0.4*math.Sin(float64(i)/9000)
	}
	return dsp.Block{x}
}

// later is the sound some frames later and louder.
func later(b dsp.Block, frames int, gain float64) dsp.Block {
	out := pad(b, 0, b.Frames()+frames)
	for c := range out {
		copy(out[c][frames:], b[c])
		clear(out[c][:frames])
	}
	scale(out, gain)
	return out
}

func prepared(t *testing.T, s Settings, sources ...Source) *Comparison {
	t.Helper()
	c, err := Prepare(context.Background(), sources, s)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// Whatever was done to a version, its samples are its own, and all versions have one
// loudness. (A compressed take was once 4 dB too low: the gain that compare states for it is
// not the one by which it is matched.)
func TestProcessedVersionsKeepTheirSound(t *testing.T) {
	both, rate := testsound.StereoTake(t)
	take := dsp.Block{both[0]}
	of := func(f func(x float64) float64) dsp.Block {
		out := copied(take)
		for n, x := range out[0] {
			out[0][n] = f(x)
		}
		return out
	}
	follower, low := 0.0, 0.0
	versions := map[string]dsp.Block{
		"compressed": of(func(x float64) float64 { // 4 to 1 above -40 dBFS
			follower = max(math.Abs(x), follower*(1-1/(0.05*float64(rate))))
			return 4 * x * math.Pow(max(1, follower/0.01), -0.75)
		}),
		"gated": of(func(x float64) float64 {
			follower = max(math.Abs(x), 0.9995*follower)
			return x * min(1, follower/0.02)
		}),
		"clipped":     of(func(x float64) float64 { return max(-0.1, min(0.1, 3*x)) }),
		"inverted":    of(func(x float64) float64 { return -0.2 * x }),
		"high-passed": of(func(x float64) float64 { low += 0.05 * (x - low); return x - low }),
		"noisy":       of(func(x float64) float64 { low = math.Mod(997*low+0.37, 1); return x + 0.01*(low-0.5) }),
	}
	for name, version := range versions {
		if !dsptest.IsExhaustive() && name != "compressed" && name != "inverted" && name != "high-passed" {
			continue
		}
		pairs := [][2]dsp.Block{{take, version}}
		if dsptest.IsExhaustive() {
			pairs = append(pairs, [2]dsp.Block{version, take})
		}
		for _, pair := range pairs {
			c := prepared(t, Settings{}, source("A.wav", pair[0]), source("B.wav", pair[1]))
			v := c.Versions[1]
			sign := 1.0
			if v.Inverted {
				sign = -1
			}
			undo := sign / dsp.DBToAmplitude(v.GainDB)
			for n, x := range v.Planes[0] {
				// 1e-6 of full scale: the residual of compare is the same to its rounding.
				if want := pair[1][0][int(c.FirstFrame)+n]; math.Abs(x*undo-want) > 1e-6 {
					t.Errorf("%s, frame %d: %g, in the file %g", name, n, x*undo, want)
					break
				}
			}
			var loudness [2]float64
			for i, v := range c.Versions {
				meter, err := measure.NewLoudness(measure.LoudnessSettings{Rate: c.Rate, Channels: 1})
				if err != nil {
					t.Fatal(err)
				}
				meter.Write(v.Planes)
				r, _ := meter.Readings().Get("integrated_lufs")
				loudness[i] = r.Value
			}
			// 0.1 LU, the last digit of many meters: the gate at -70 LUFS drops other blocks
			// of the version that was quieter (0.04 LU after 14 dB).
			if d := loudness[1] - loudness[0]; math.Abs(d) > 0.1 {
				t.Errorf("%s: %+.3f LU apart on the page", name, d)
			}
		}
	}
}

// Any 16-bit samples packed into the page are unpacked unchanged.
func TestPackIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		channels := rapid.IntRange(1, 2).Draw(t, "channels")
		frames := rapid.IntRange(1, 3000).Draw(t, "frames")
		planes := make([][]int16, channels)
		for c := range planes {
			planes[c] = rapid.SliceOfN(rapid.Int16(), frames, frames).Draw(t, "plane")
		}
		packed, err := pack(planes)
		if err != nil {
			t.Fatal(err)
		}
		z, err := gzip.NewReader(bytes.NewReader(packed))
		if err != nil {
			t.Fatal(err)
		}
		raw, err := io.ReadAll(z)
		if err != nil {
			t.Fatal(err)
		}
		n := len(raw) / 2
		for c := range planes {
			last := int16(0)
			for i, want := range planes[c] {
				k := c*frames + i
				last += int16(uint16(raw[k]) | uint16(raw[n+k])<<8)
				if last != want {
					t.Fatalf("channel %d, frame %d: found %d; accepted: %d", c, i, last, want)
				}
			}
		}
	})
}

// A version that is later, louder and inverted equals the first one after Prepare: gains are
// at most 0 dB, and the levels are equal.
func TestVersionsAreAlignedAndOnOneLevel(t *testing.T) {
	sound, levels := voice(1), []Level{LeastSquares}
	if dsptest.IsExhaustive() {
		sound, levels = voice(3), []Level{Loudness, LeastSquares}
	}
	for _, level := range levels {
		c := prepared(t, Settings{Level: level, Difference: true}, source("take.wav", sound), source("later.wav", later(sound, 700, 2)), source("turned.wav", later(sound, 33, -0.25)))
		first := c.Versions[2].Planes[0] // all are at the quietest one's level
		for i, v := range c.Versions {
			// 1e-6 of full scale: the residual of compare is the same to its rounding.
			for k, x := range v.Planes[0] {
				if math.Abs(x-first[k]) > 1e-6 {
					t.Fatalf("%s, %s, frame %d: found %g; accepted: %g", level, v.Name, k, x, first[k])
				}
			}
			// Gains are exact to 0.001 dB: a hundredth of what anybody was found to notice.
			if want := []float64{-12.0412, -18.0618, 0}[i]; math.Abs(v.GainDB-want) > 0.001 {
				t.Errorf("%s, %s was turned by %.4f dB; accepted: %.4f", level, v.Name, v.GainDB, want)
			}
			if want := []float64{0, 700, 33}[i]; v.DelayFrames != want {
				t.Errorf("%s was later by %g frames; accepted: %g", v.Name, v.DelayFrames, want)
			}
		}
		if !c.Versions[2].Inverted || c.Versions[1].Inverted {
			t.Error("the third one is inverted, and the second is not")
		}
		for _, d := range c.Differences {
			for k, x := range d.Planes[0] {
				if math.Abs(x) > 1e-6 {
					t.Fatalf("%s: found %g at frame %d; accepted: 0", d.Name, x, k)
				}
			}
		}
	}
}

// The excerpt is given in the time of the first version, and the others are searched around
// it. One that begins 25 s earlier lies outside the first search.
func TestExcerptIsFoundInTheOthers(t *testing.T) {
	sound := voice(30)
	early := cut(sound, 25*rate, 30*rate)
	c := prepared(t, Settings{From: 26, To: 28}, source("take.wav", sound), source("early.wav", early))
	if n := c.Versions[0].Planes.Frames(); n != 2*rate {
		t.Fatalf("found %d frames; accepted: %d", n, 2*rate)
	}
	if c.FirstFrame != 26*rate || c.Versions[1].DelayFrames != -25*rate {
		t.Errorf("the excerpt begins at %d, version 2 is later by %g frames; accepted: %d and %d", c.FirstFrame, c.Versions[1].DelayFrames, 26*rate, -25*rate)
	}
	for k, x := range c.Versions[1].Planes[0] {
		if math.Abs(x-sound[0][26*rate+k]) > 1e-6 {
			t.Fatalf("frame %d of version 2 is another one", k)
		}
	}
}

func TestPrepareRefuses(t *testing.T) {
	sound := voice(1)
	stereo := dsp.Block{sound[0], sound[0]}
	other := dsp.Block{testsound.Noise(rate, 0.1, 99)}
	holed := copied(sound)
	holed[0][5000] = math.NaN()
	for _, c := range []struct {
		name    string
		s       Settings
		sources []Source
		says    string
	}{
		{"one", Settings{}, []Source{source("a", sound)}, "accepted: 2 to 6"},
		{"seven", Settings{}, make([]Source, 7), "accepted: 2 to 6"},
		{"stereo and mono", Settings{}, []Source{source("a", sound), source("b", stereo)}, "b: found 2 channels"},
		{"another sound", Settings{}, []Source{source("a", sound), source("b", other)}, "b is not a version of a"},
		{"too long", Settings{MostSeconds: 0.8}, []Source{source("a", sound), source("b", sound)}, fmt.Sprintf("a: found %.1f s; accepted: an excerpt of up to 0.8 s", float64(len(sound[0]))/rate)},
		{"after the end", Settings{From: 5}, []Source{source("a", sound), source("b", sound)}, "half a second"},
		{"silence", Settings{Unaligned: true}, []Source{source("a", sound), source("b", dsp.NewBlock(1, rate))}, "b: its loudness"},
		{"no number", Settings{}, []Source{source("a", holed), source("b", sound)}, "a: found a NaN"},
	} {
		_, err := Prepare(context.Background(), c.sources, c.s)
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: found %v; accepted: an error that says %q", c.name, err, c.says)
		}
	}
	// A version that lacks a stretch of the excerpt would be out of step behind it.
	seconds := 8
	if dsptest.IsExhaustive() {
		seconds = 30
	}
	long := voice(float64(seconds))
	middle := seconds / 2 * rate
	edited := dsp.Block{append(slices.Clone(long[0][:middle]), long[0][middle+rate/2:]...)}
	if _, err := Prepare(context.Background(), []Source{source("a", long), source("b", edited)}, Settings{}); err == nil || !strings.Contains(err.Error(), "cut out") {
		t.Errorf("an edited version: found %v; accepted: an error that says so", err)
	}
	// Sounds that are not versions of one can be compared without alignment.
	c := prepared(t, Settings{Unaligned: true}, source("a", sound), source("b", other))
	if a, b := c.Versions[0], c.Versions[1]; math.Abs(a.Loudness.Value+a.GainDB-b.Loudness.Value-b.GainDB) > 1e-9 {
		t.Errorf("%v turned by %g dB, %v by %g dB: not one level", a.Loudness, a.GainDB, b.Loudness, b.GainDB)
	}
	_, _, err := c.Page(PageSettings{MostBytes: 10000})
	var large *TooLargeError
	if !errors.As(err, &large) || !strings.Contains(err.Error(), "about 0 s") {
		t.Errorf("found %v; accepted: a page that is too large", err)
	}
}

// The page holds no address, escapes names, and has the same bytes each time.
func TestPageText(t *testing.T) {
	sound := voice(1)
	c := prepared(t, Settings{}, source(`</script><b onload=x>&"`, sound), source("b\x00\u202e.wav", later(sound, 3, 0.5)))
	page, key, err := c.Page(PageSettings{})
	if err != nil {
		t.Fatal(err)
	}
	again, _, _ := c.Page(PageSettings{})
	if !bytes.Equal(page, again) {
		t.Error("two pages of the same comparison differ")
	}
	for _, banned := range []string{"http:", "https:", "src=", "<link", "@import", "url(", "<b onload", "decodeAudioData"} {
		if bytes.Contains(page, []byte(banned)) {
			t.Errorf("the page holds %q", banned)
		}
	}
	if !bytes.Contains(page, []byte("default-src 'none'")) || !bytes.Contains(page, []byte(key.Page)) {
		t.Error("the page lacks its policy or its digest")
	}
	caution, button := bytes.Index(page, []byte("turn the monitors down")), bytes.Index(page, []byte(`id="play"`))
	if caution < 0 || caution > button {
		t.Error("the caution does not stand above the play button")
	}
}

// A page with hidden names has neither names nor levels; the key has them. All orders occur.
func TestHiddenNames(t *testing.T) {
	sound := voice(1)
	c := prepared(t, Settings{}, source("secret-one.wav", sound), source("secret-two.wav", later(sound, 3, 0.5)))
	firsts := map[string]int{}
	for seed := range uint64(20) {
		page, key, err := c.Page(PageSettings{Hide: true, Seed: seed})
		if err != nil {
			t.Fatal(err)
		}
		for _, word := range []string{"secret", "LUFS", "turned by"} {
			if bytes.Contains(page, []byte(word)) {
				t.Fatalf("the page holds %q", word)
			}
		}
		if len(key.Versions) != 2 || key.Versions[0].Name == key.Versions[1].Name {
			t.Fatalf("key %+v", key)
		}
		firsts[key.Versions[0].Name]++
	}
	// Either order with p = 1/2: 3 or fewer of 20 have a chance of 0.13 % (binomial).
	if firsts["secret-one.wav"] < 4 || firsts["secret-two.wav"] < 4 {
		t.Errorf("of 20 orders: %v", firsts)
	}
}
