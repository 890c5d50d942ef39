package compare

import (
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// voice is recorded speech at its rate in Hz.
type voice struct {
	name  string
	sound []float64
	rate  int
}

// voices are the first 8 s of the recorded speech of the module's testdata. In the exhaustive
// form they are all of it, and of Debian's pocketsphinx-testdata, where it is installed.
func voices(t *testing.T) []voice {
	t.Helper()
	names := []string{"source/reading-1.wav", "source/reading-2.wav", "harbour-street.wav"}
	if dsptest.IsExhaustive() {
		more, _ := filepath.Glob("/usr/share/pocketsphinx/test/data/librivox/*.wav")
		names = append(names, more[min(2, len(more)):]...) // the first two are the readings
	}
	var all []voice
	for _, name := range names {
		sound, rate := testsound.ReadTake(t, name)
		if !dsptest.IsExhaustive() {
			sound[0] = sound[0][:min(len(sound[0]), 8*rate)]
		}
		all = append(all, voice{filepath.Base(name), sound[0], rate})
	}
	return all
}

// pink is noise of 1/f, of an rms in dBFS: white noise through the poles and zeros of
// Kellet's filter (posted to the music-dsp list in 1999, within 0.05 dB above 9 Hz at
// 44.1 kHz; from memory, which here matters little).
func pink(frames int, dbfs float64, rng *rand.Rand) []float64 {
	out := make([]float64, frames)
	var b0, b1, b2 float64
	for n := range out {
		white := rng.NormFloat64()
		b0, b1, b2 = 0.99765*b0+white*0.0990460, 0.96300*b1+white*0.2965164, 0.57000*b2+white*1.0526913
		out[n] = b0 + b1 + b2 + white*0.1848
	}
	return toLevel(out, dbfs)
}

// white is Gaussian noise of an rms in dBFS.
func white(frames int, dbfs float64, rng *rand.Rand) []float64 {
	out := make([]float64, frames)
	for n := range out {
		out[n] = rng.NormFloat64()
	}
	return toLevel(out, dbfs)
}

// humOf is mains hum with harmonics that fall by 3 to 9 dB each, of an rms in dBFS.
func humOf(frames, rate int, dbfs float64, rng *rand.Rand) []float64 {
	hz := []float64{50, 60}[rng.IntN(2)] * (1 + 0.002*(rng.Float64()-0.5))
	fall := dsp.DBToAmplitude(-3 - 6*rng.Float64())
	out := make([]float64, frames)
	level := 1.0
	for k := 1; k <= 5; k++ {
		phase := rng.Float64() * 2 * math.Pi
		for n := range out {
			out[n] += level * math.Sin(phase+2*math.Pi*hz*float64(k*n)/float64(rate))
		}
		level *= fall
	}
	return toLevel(out, dbfs)
}

func toLevel(x []float64, dbfs float64) []float64 {
	return testsound.Times(x, dsp.DBToAmplitude(dbfs)/rms(x))
}

func rms(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum / float64(len(x)))
}

func peakOf(x []float64) float64 { return max(slices.Max(x), -slices.Min(x)) }

// compressed has the levels over a threshold, which an envelope of 5 ms and 100 ms follows,
// reduced to a ratio.
func compressed(x []float64, rate int, thresholdDB, ratio float64) []float64 {
	out := slices.Clone(x)
	level := 0.0
	up, down := 1-math.Exp(-1/(0.005*float64(rate))), 1-math.Exp(-1/(0.1*float64(rate)))
	for n, v := range out {
		if p := v * v; p > level {
			level += (p - level) * up
		} else {
			level += (p - level) * down
		}
		if over := level / dsp.DBToPower(thresholdDB); over > 1 {
			out[n] *= math.Pow(over, (1/ratio-1)/2)
		}
	}
	return out
}

// filtered is a sound through sections of a filter.
func filtered(x []float64, sections ...dsp.Biquad) []float64 {
	out := dsp.Block{slices.Clone(x)}
	dsp.NewCascade(sections, 1).Process(out)
	return out[0]
}

// addedLevel is the level in dBFS of what is added: −60 to −25; by default, where there are
// few cases, the louder half.
func addedLevel(rng *rand.Rand) float64 {
	if dsptest.IsExhaustive() {
		return -60 + 35*rng.Float64()
	}
	return -40 + 15*rng.Float64()
}

// versions are what is done to a sound that stays the same sound.
var versions = []struct {
	name string
	make func(v voice, rng *rand.Rand) []float64
}{
	{"white noise", func(v voice, rng *rand.Rand) []float64 {
		return sum(v.sound, white(len(v.sound), addedLevel(rng), rng))
	}},
	{"pink noise", func(v voice, rng *rand.Rand) []float64 {
		return sum(v.sound, pink(len(v.sound), addedLevel(rng), rng))
	}},
	{"hum", func(v voice, rng *rand.Rand) []float64 {
		return sum(v.sound, humOf(len(v.sound), v.rate, addedLevel(rng), rng))
	}},
	{"strong EQ", func(v voice, rng *rand.Rand) []float64 {
		gain := []float64{-12, 12}[rng.IntN(2)]
		return filtered(v.sound, dsp.CookbookBell(300+3000*rng.Float64(), gain, 0.7+rng.Float64(), float64(v.rate)), dsp.CookbookHighShelf(4000, -gain, 0.7071, float64(v.rate)))
	}},
	{"compression of 10 dB", func(v voice, rng *rand.Rand) []float64 {
		peak := dsp.AmplitudeToDB(peakOf(v.sound))
		return compressed(v.sound, v.rate, peak-14-4*rng.Float64(), 4) // the peaks come 10 dB down and more
	}},
	{"low-pass", func(v voice, rng *rand.Rand) []float64 {
		return filtered(v.sound, dsp.ButterworthLowPass(4, min(8000, 0.25*float64(v.rate)), float64(v.rate))...)
	}},
	{"clipping", func(v voice, rng *rand.Rand) []float64 {
		most := peakOf(v.sound)
		out := testsound.Times(v.sound, dsp.DBToAmplitude(6+12*rng.Float64()))
		for n, x := range out {
			out[n] = max(-most, min(most, x))
		}
		return out
	}},
}

// sameness compares two planes and reports whether they are taken for one sound.
func sameness(t *testing.T, a, b []float64, rate int) *Comparison {
	t.Helper()
	open := func(x []float64) func() (wave.Source, error) {
		return func() (wave.Source, error) { return wave.NewMemory(wave.Unquantised(rate, 1), dsp.Block{x}), nil }
	}
	c, err := Sounds(t.Context(), open(a), open(b), Settings{Brief: true})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// A sound is recognised whatever noise, hum, filter, compression or clipping came to it,
// and where it lies: late by up to a second.
func TestVersionsAreRecognised(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	sounds := voices(t)
	cases, missed := 0, 0
	each := 1
	if dsptest.IsExhaustive() {
		each = 2
	}
	for i, version := range versions {
		if i%3 > 0 && !dsptest.IsExhaustive() {
			continue
		}
		for k := range each * len(sounds) {
			v := sounds[k%len(sounds)]
			light := i / 3 % 2 // of the short readings one for each kind
			if i == 0 {
				light = 2 // at 48 kHz, where white noise hides most
			}
			if !dsptest.IsExhaustive() && k != light {
				continue
			}
			late := rng.IntN(v.rate)
			whole := v
			whole.sound = append(make([]float64, late), v.sound...)
			b := version.make(whole, rng)
			c := sameness(t, v.sound, b, v.rate)
			cases++
			if !c.Same {
				missed++
				t.Errorf("%s, %s: %s", v.name, version.name, c.Summary())
				continue
			}
			// A filter's phase moves a sound by less than a millisecond.
			if off := math.Abs(c.place.Delay - float64(late)); off > 0.001*float64(v.rate) {
				t.Errorf("%s, %s: %g frames off its place: %s", v.name, version.name, off, c.Summary())
			}
		}
	}
	t.Logf("%d of %d not recognised", missed, cases)
}

// Different sounds are not taken for one: other sentences of the same voice, also with
// the same hum in both and noise in one, noise and noise, and a sound turned around.
func TestDifferentSoundsAreNotRecognised(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 14))
	sounds := voices(t)
	part := func(v voice) []float64 { // of 1.5 to 3 s
		n := int((1.5 + 1.5*rng.Float64()) * float64(v.rate))
		from := rng.IntN(len(v.sound)/2 - n/2)
		return v.sound[from:min(len(v.sound)/2, from+n)]
	}
	rest := func(v voice) []float64 { return v.sound[len(v.sound)/2:] }
	repeats := 1
	if dsptest.IsExhaustive() {
		repeats = 3
	}
	cases, wrong := 0, 0
	var guards guardsAlone
	for k := range repeats * len(sounds) {
		v := sounds[k%len(sounds)]
		if v.name == "harbour-street.wav" && !dsptest.IsExhaustive() {
			continue
		}
		backwards := slices.Clone(v.sound)
		slices.Reverse(backwards)
		hum := humOf(len(v.sound), v.rate, -35, rng)
		one, two := part(v), rest(v)
		for _, pair := range []struct {
			name string
			a, b []float64
		}{
			{"another sentence", one, two},
			{"another sentence, with noise", one, sum(two, white(len(two), -40, rng))},
			{"another sentence, with one hum", sum(one, hum), sum(two, hum[len(hum)-len(two):])},
			{"backwards", v.sound, backwards},
			{"noise and noise", white(len(one), -30, rng), pink(len(two), -30, rng)},
		} {
			if !strings.HasPrefix(pair.name, "noise") { // in which no guard is near
				guards.see(t, pair.a, pair.b, v.rate)
			}
			cases++
			if c := sameness(t, pair.a, pair.b, v.rate); c.Same {
				wrong++
				t.Errorf("%s, %s: %s (%s)", v.name, pair.name, c.Summary(), fmt.Sprintf("%.2f", c.Similarity))
			}
		}
	}
	t.Logf("%d of %d taken for one sound; at the best place of the phases the largest peak is %.1f, the largest correlation %.2f, and %.2f of the differences is %.2f of what is needed", wrong, cases, guards.peak, guards.correlation, guards.ofFrames, guards.share)
	if guards.peak >= leastPeak || guards.correlation >= leastInNoise || guards.share >= 1 {
		t.Errorf("a guard that stands alone accepts different sounds: peak %.1f of %d, correlation %.2f of %g, %.2f of what is needed", guards.peak, leastPeak, guards.correlation, leastInNoise, guards.share)
	}
}

// guardsAlone is the nearest that different sounds came to what each guard accepts: two of
// them hold in a row, so that one that is lost shows in no comparison.
type guardsAlone struct{ peak, correlation, ofFrames, share float64 }

func (g *guardsAlone) see(t *testing.T, a, b []float64, rate int) {
	t.Helper()
	open := func(x []float64) func() (wave.Source, error) {
		return func() (wave.Source, error) { return wave.NewMemory(wave.Unquantised(rate, 1), dsp.Block{x}), nil }
	}
	if len(a) > len(b) {
		a, b = b, a
	}
	must := func(err error) {
		if err != nil {
			t.Helper()
			t.Fatal(err)
		}
	}
	short, err := profileOf(open(a))
	must(err)
	long, err := profileOf(open(b))
	must(err)
	search := aligner{short: open(a), long: open(b), shortP: short, longP: long, rate: rate}
	frames := min(noiseProbe, len(a))
	at, _ := short.loudestStretch(0, int64(frames), 0, short.frames)
	at = max(0, min(at, short.frames-int64(frames)))
	frame, peak, err := search.peakOfPhases(at, frames)
	must(err)
	g.peak = max(g.peak, peak)
	found, _, err := search.correlationThere(at, frame, int64(frames))
	must(err)
	g.correlation = max(g.correlation, math.Abs(found.correlation))
	probe := min(probeFrames, int64(len(a)))
	at, _ = short.loudestStretch(0, probe, 0, short.frames)
	found, err = search.place(max(0, min(at, short.frames-probe)), int(probe))
	must(err)
	if share := math.Abs(found.correlation) / found.needed; share > g.share {
		g.share, g.ofFrames = share, math.Abs(found.correlation)
	}
}
