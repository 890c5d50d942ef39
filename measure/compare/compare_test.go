package compare

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/measuretest"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// opened opens planes at 48 kHz.
func opened(b dsp.Block) func() (wave.Source, error) {
	return func() (wave.Source, error) { return wave.NewMemory(wave.Unquantised(48000, len(b)), b), nil }
}

func compare(t *testing.T, a, b dsp.Block) (*Comparison, measure.Readings) {
	t.Helper()
	c, err := Sounds(t.Context(), opened(a), opened(b), Settings{})
	if err != nil {
		t.Fatal(err)
	}
	return c, c.Readings()
}

// moved is a sound some frames later, with a gain, rounded to 24 bits.
func moved(b dsp.Block, frames int, gain float64) dsp.Block {
	out := dsp.NewBlock(len(b), b.Frames()+frames)
	for c := range b {
		for n, x := range b[c] {
			out[c][n+frames] = math.Round(gain*x*(1<<23)) / (1 << 23)
		}
	}
	return out
}

// shifted is a sound read at other places by a sinc under a Hann window of its own:
// an oracle that shares nothing with the comparison's interpolator. (Smith, "Digital
// Audio Resampling Home Page", 1984)
func shifted(x []float64, half int, at func(n int) float64) []float64 {
	out := make([]float64, len(x))
	for n := range out {
		place := at(n)
		whole := int(math.Floor(place))
		sum := 0.0
		for k := max(0, whole-half+1); k <= min(len(x)-1, whole+half); k++ {
			d := place - float64(k)
			w := 0.5 + 0.5*math.Cos(math.Pi*d/float64(half))
			if d != 0 {
				w *= math.Sin(math.Pi*d) / (math.Pi * d)
			}
			sum += w * x[k]
		}
		out[n] = sum
	}
	return out
}

// A copy 37 frames later and 1.3 dB quieter, at 24 bits: what is left is the
// rounding: LSB/√12 (Bennett 1948) over the gain.
func TestCompareDelayAndGain(t *testing.T) {
	a := dsptest.Speechlike(48000, 2, 6*48000, 1)
	c, r := compare(t, a, moved(a, 37, dsp.DBToAmplitude(-1.3)))
	measuretest.WantReading(t, r, "delay_frames", 37, 0)
	measuretest.WantReading(t, r, "gain_db", -1.30, 0.01)
	measuretest.WantReading(t, r, "drift_ppm", 0, 0)
	measuretest.WantReading(t, r, "polarity", 1, 0)
	measuretest.WantReading(t, r, "residual_dbfs", dsp.AmplitudeToDB(math.Pow(2, -23)/math.Sqrt(12))+1.3, 0.3) // silence adds none
	if got := c.Summary(); !strings.HasPrefix(got, "B is 37 frames later, 1.30 dB quieter; ") || !strings.Contains(got, "below -140 dBFS") {
		t.Error(got)
	}
}

func TestFractionalDelaysAreFound(t *testing.T) {
	dsptest.Exhaustive(t)
	a := dsptest.Speechlike(48000, 1, 3*48000, 2)
	dsp.NewCascade(dsp.ButterworthLowPass(8, 12000, 48000), 1).Process(a) // what no interpolator passes
	for _, frames := range []float64{0.37, -12.25, 100.5} {
		b := dsp.Block{shifted(a[0], 128, func(n int) float64 { return float64(n) - frames })}
		_, r := compare(t, a, b)
		measuretest.WantReading(t, r, "delay_frames", frames, 0.01)
		got, _ := r.Get("null_depth_db")
		if got.Value < 70 { // a delay that is 0.0005 frames off, at 4 kHz
			t.Errorf("%g frames: null depth %v", frames, got)
		}
	}
}

// 25 ppm over a minute: 72 frames.
func TestCompareDrift(t *testing.T) {
	dsptest.Exhaustive(t)
	a := dsptest.Speechlike(48000, 1, 60*48000, 3)
	for _, ppm := range []float64{25, -300} {
		b := dsp.Block{shifted(a[0], 32, func(n int) float64 { return float64(n)/(1+ppm*1e-6) - 500 })}
		c, r := compare(t, a, b)
		measuretest.WantReading(t, r, "drift_ppm", ppm, 0.1)
		if got, _ := r.Get("null_depth_db"); got.Value < 40 { // the oracle is short
			t.Errorf("%g ppm: null depth %v; %s", ppm, got, c.Summary())
		}
	}
}

func TestComparePolarity(t *testing.T) {
	// Exactly inverted, an even and an odd number of samples: the null is as deep as
	// that of the same sound, and it is not the same.
	for _, frames := range []int{3 * 48000, 3*48000 - 1} {
		for _, channels := range dsptest.Some(1, []int{2, 1}) {
			a := dsptest.Speechlike(48000, channels, frames, 4)
			b := testsound.CopyOf(a)
			for i := range b {
				for n := range b[i] {
					b[i][n] = -b[i][n]
				}
			}
			c, r := compare(t, a, b)
			measuretest.WantReading(t, r, "polarity", -1, 0)
			if got := c.Summary(); got != "B is inverted in polarity; no other difference" {
				t.Errorf("%d channels of %d frames: %s", channels, frames, got)
			}
			if got, _ := r.Get("changed_samples"); got.Value == 0 {
				t.Error("no sample has changed")
			}
		}
	}
	a := dsptest.Speechlike(48000, 2, 3*48000, 4)
	c, r := compare(t, a, moved(a, 0, -1))
	measuretest.WantReading(t, r, "polarity", -1, 0)
	measuretest.WantReading(t, r, "gain_db", 0, 1e-6)
	if !strings.Contains(c.Summary(), "inverted in polarity") {
		t.Error(c.Summary())
	}
}

// A bell of 0.2 dB at 3 kHz is found within a third of an octave and 0.05 dB.
func TestCompareBell(t *testing.T) {
	dsptest.Exhaustive(t)
	a := dsptest.Speechlike(48000, 1, 20*48000, 5)
	b := testsound.CopyOf(a)
	dsp.NewCascade([]dsp.Biquad{dsp.CookbookBell(3000, 0.2, 1, 48000)}, 1).Process(b)
	c, r := compare(t, a, b)
	measuretest.WantReading(t, r, "response_difference_db", 0.2, 0.05)
	if got, _ := r.Get("response_difference_hz"); math.Abs(math.Log2(got.Value/3000)) > 1.0/3 {
		t.Errorf("found at %v", got)
	}
	if got := c.Summary(); !strings.Contains(got, "up around 3.") && !strings.Contains(got, "up around 2.5") {
		t.Error(got)
	}
}

// A shelf is recognised by its end of the spectrum.
func TestCompareShelf(t *testing.T) {
	dsptest.Exhaustive(t)
	a := dsp.Block{testsound.Noise(20*48000, 0.1, 6)}
	b := testsound.CopyOf(a)
	dsp.NewCascade([]dsp.Biquad{dsp.CookbookHighShelf(9000, -0.8, 0.7071, 48000)}, 1).Process(b)
	c, _ := compare(t, a, b)
	if got := c.Summary(); !strings.Contains(got, "0.7") && !strings.Contains(got, "0.8 dB down above") {
		t.Error(got)
	}
}

// 5 ms that are missing are found where they are.
func TestCompareDropout(t *testing.T) {
	a := dsptest.Speechlike(48000, 2, 6*48000, 8)
	at := loudestFrame(a)
	b := testsound.CopyOf(a)
	for c := range b {
		clear(b[c][at : at+240])
	}
	c, r := compare(t, a, b)
	measuretest.WantReading(t, r, "dropouts_b", 1, 0)
	measuretest.WantReading(t, r, "dropouts_a", 0, 0)
	if got, _ := r.Get("dropouts_b"); math.Abs(float64(got.Frame-int64(at))) > 48 { // 1 ms
		t.Errorf("found at %d, want %d", got.Frame, at)
	}
	if got, _ := r.Get("largest_difference_dbfs"); got.Frame < int64(at) || got.Frame >= int64(at)+240 {
		t.Errorf("largest difference at %d, want within 240 of %d", got.Frame, at)
	}
	measuretest.WantReading(t, r, "first_difference_frames", float64(at), 1) // a sample there may be 0
	if !strings.Contains(c.Summary(), "silent for 5.0 ms at "+measure.TimeCode(int64(at), 48000)[:11]) {
		t.Error(c.Summary(), at)
	}
}

// A mute that reaches over pauses of A is one dropout of its whole length, with digital
// silence and with the dither of 16 bits in its place; a word between two mutes parts them.
func TestMuteOverPauses(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 5))
	const word, pause = 9600, 7200 // 0.2 and 0.15 s
	rounds := 6                    // both kinds of mute, each twice alone and once with another
	if dsptest.IsExhaustive() {
		rounds = 12
	}
	for round := range rounds {
		a := dsp.NewBlock(1, 6*48000)
		for n := range a[0] {
			level := 0.1
			if n%(word+pause) >= word {
				level = 1e-4 // -80 dBFS
			}
			a[0][n] = level * rng.NormFloat64()
		}
		left := 0.0 // in the mute
		if round%2 == 1 {
			left = 1.0 / (1 << 16) // rms of dither of two rectangles: half of a step of 16 bits
		}
		b := testsound.CopyOf(a)
		mute := func(from, to int) {
			for n := from; n < to; n++ {
				b[0][n] = left * rng.NormFloat64()
			}
		}
		first := 2 + rng.IntN(3)
		from, to := first*(word+pause)+rng.IntN(word/2), (first+1+rng.IntN(3))*(word+pause)+word/2+rng.IntN(word/4)
		mute(from, to)
		mutes := 1.0
		if round%3 == 2 {
			mute(14*(word+pause)+1000, 15*(word+pause)+3000)
			mutes = 2
		}
		c, r := compare(t, a, b)
		measuretest.WantReading(t, r, "dropouts_b", mutes, 0)
		all := c.Differences()
		i := slices.IndexFunc(all, func(d Difference) bool { return d.Kind == Dropout })
		if i < 0 {
			t.Fatalf("round %d: no dropout in %v", round, all)
		}
		if d := all[i]; mutes == 1 && math.Abs(float64(d.Frames)-float64(to-from)) > 3*48 { // milliseconds at both ends
			t.Errorf("round %d: %d frames at %d, want %d at %d", round, d.Frames, d.Frame, to-from, from)
		}
	}
}

func loudestFrame(b dsp.Block) int {
	best := 0
	for n, v := range b[0][:b.Frames()-240] {
		if math.Abs(v) > math.Abs(b[0][best]) {
			best = n
		}
	}
	return best - 100
}

// A copy in 16 bits with TPDF dither: noise of LSB²/4 (Lipshitz, Wannamaker and
// Vanderkooy, JAES 40(5) 1992), which is −93.3 dBFS, and no change of response.
func TestCompareDither(t *testing.T) {
	dsptest.Exhaustive(t)
	a := dsptest.Speechlike(48000, 1, 10*48000, 9)
	rng := rand.New(rand.NewPCG(3, 4))
	b := testsound.CopyOf(a)
	for n, v := range a[0] {
		b[0][n] = math.Round(v*32768+rng.Float64()-rng.Float64()) / 32768
	}
	c, r := compare(t, a, b)
	measuretest.WantReading(t, r, "residual_dbfs", 10*math.Log10(math.Pow(2, -30)/4), 0.1)
	measuretest.WantReading(t, r, "response_difference_db", 0, 0.05)
	if got := c.Summary(); got != "B is as loud as A and in time; no change of response; the rest is like noise, at -96.4 dBFS" {
		t.Error(got)
	}
}

// Different speech is found different: generated voices, and two readings by one
// recorded voice (testdata/source).
func TestCompareDifferent(t *testing.T) {
	dsptest.Exhaustive(t)
	one, rate := testsound.ReadTake(t, "source/reading-1.wav")
	two, _ := testsound.ReadTake(t, "source/reading-2.wav")
	pairs := [][2]dsp.Block{
		{one, two},
		{dsptest.Speechlike(rate, 1, 6*rate, 21), dsptest.Speechlike(rate, 1, 7*rate, 41)},
	}
	pairs = append(pairs, [2]dsp.Block{dsptest.Speechlike(48000, 1, 8*48000, 22), dsptest.Speechlike(48000, 1, 9*48000, 42)})
	for i, pair := range pairs {
		c, r := compare(t, pair[0], pair[1])
		if c.Same {
			t.Errorf("pair %d: %s", i, c.Summary())
		}
		measuretest.WantNoReading(t, r, "delay_frames", "gain_db", "residual_dbfs", "null_depth_db", "response_difference_db", "integrated_difference_lu")
		if got := math.Abs(c.Similarity); got > 0.3 { // well under what is accepted
			t.Errorf("pair %d: similarity %.2f", i, got)
		}
	}
	// Short ones too, of which some places look alike by chance.
	for _, ms := range []int{10, 50, 100, 200, 500, 1000, 2000} {
		for seed := range uint64(8) {
			n := ms * 48
			x, y := dsptest.Speechlike(48000, 1, n+48000, 100+seed), dsptest.Speechlike(48000, 1, n+48000, 300+seed)
			if c, _ := compare(t, dsp.Block{x[0][24000 : 24000+n]}, dsp.Block{y[0][30000 : 30000+n]}); c.Same {
				t.Errorf("%d ms, seed %d: %s", ms, seed, c.Summary())
			}
			copied := dsp.Block{x[0][24000 : 24000+n]}
			if c, _ := compare(t, copied, moved(copied, 5, 0.5)); !c.Same && loud(copied) {
				t.Errorf("%d ms, seed %d: a copy: %s", ms, seed, c.Summary())
			}
		}
		f, g := ms*rate/1000, ms*rate/1000
		for i := range 8 {
			x, y := i*(one.Frames()-f)/8, i*(two.Frames()-g)/8
			if c, _ := compare(t, dsp.Block{one[0][x : x+f]}, dsp.Block{two[0][y : y+g]}); c.Same {
				t.Errorf("recorded, %d ms, part %d: %s", ms, i, c.Summary())
			}
		}
	}
	// The recorded voice through a telephone's band is still itself.
	narrow := testsound.CopyOf(one)
	dsp.NewCascade(append(dsp.ButterworthHighPass(2, 300, float64(rate)), dsp.ButterworthLowPass(4, 3400, float64(rate))...), 1).Process(narrow)
	if c, _ := compare(t, one, narrow); !c.Same {
		t.Errorf("through 300 to 3400 Hz: %s", c.Summary())
	}
}

// compare(x, x) is exactly 0, sample by sample.
func TestCompareSame(t *testing.T) {
	for _, a := range []dsp.Block{dsptest.Speechlike(48000, 2, 4*48000, 10), {testsound.Noise(500, 0.5, 11)}, {testsound.Noise(1, 0.5, 12)}, dsp.NewBlock(1, 1000), dsp.NewBlock(1, 0)} {
		c, r := compare(t, a, a)
		if a.Frames() == 0 {
			continue
		}
		if got, _ := r.Get("residual_dbfs"); got.Beyond != -1 {
			t.Errorf("%d frames: residual %v", a.Frames(), got)
		}
		measuretest.WantReading(t, r, "changed_samples", 0, 0)
		if !strings.HasPrefix(c.Summary(), "A and B are the same, sample by sample") {
			t.Error(c.Summary())
		}
	}
}

// compare(b, a) mirrors compare(a, b), and what is done to both changes nothing.
func TestExchangedFilesGiveMirroredReadings(t *testing.T) {
	dsptest.Exhaustive(t)
	a := dsptest.Speechlike(48000, 1, 5*48000, 13)
	b := moved(a, 41, 0.8)
	hiss := testsound.Noise(b.Frames(), 1e-4, 14)
	for n := range b[0] {
		b[0][n] += hiss[n]
	}
	_, ab := compare(t, a, b)
	_, ba := compare(t, b, a)
	_, both := compare(t, moved(a, 1000, 0.5), moved(b, 1000, 0.5))
	value := func(r measure.Readings, name string) float64 { got, _ := r.Get(name); return got.Value }
	for _, name := range []string{"delay_frames", "gain_db", "drift_ppm", "integrated_difference_lu"} {
		if x, y := value(ab, name), value(ba, name); math.Abs(x+y) > 0.001 { // the hiss counts for one gain, and not for the other
			t.Errorf("%s: %g and %g", name, x, y)
		}
	}
	for _, name := range []string{"delay_frames", "gain_db", "null_depth_db", "similarity"} {
		if x, y := value(ab, name), value(both, name); math.Abs(x-y) > 0.01 { // rounding to 24 bits
			t.Errorf("%s: %g, %g with both 6 dB down and 1000 frames later", name, x, y)
		}
	}
	if x, y := value(ab, "null_depth_db"), value(ba, "null_depth_db"); math.Abs(x-y) > 0.01 {
		t.Errorf("null depth %g and %g", x, y)
	}
}

// How far B lies off does not matter, nor which is longer.
func TestLongDelaysAreFound(t *testing.T) {
	a := dsptest.Speechlike(48000, 1, 20*48000, 15)
	part := dsp.Block{a[0][12*48000 : 15*48000]}
	_, r := compare(t, a, part)
	measuretest.WantReading(t, r, "delay_frames", -12*48000, 0)
	c, r := compare(t, part, a)
	measuretest.WantReading(t, r, "delay_frames", 12*48000, 0)
	if c.From != 0 || c.To != 3*48000 {
		t.Errorf("compared %d to %d", c.From, c.To)
	}
}

func TestCompareRefuses(t *testing.T) {
	mono, stereo := dsp.NewBlock(1, 100), dsp.NewBlock(2, 100)
	if _, err := Sounds(t.Context(), opened(mono), opened(stereo), Settings{}); err == nil || !strings.Contains(err.Error(), "1 channel at 48000 Hz and 2 channels") || !strings.Contains(err.Error(), "one channel of the sound that has 2 to a file of its own") {
		t.Error(err)
	}
	fast := func() (wave.Source, error) { return wave.NewMemory(wave.Unquantised(96000, 1), mono), nil }
	if _, err := Sounds(t.Context(), opened(mono), fast, Settings{}); err == nil || !strings.Contains(err.Error(), "convert B to 48000 Hz with a sample-rate converter, or A to 96000 Hz") {
		t.Error("other rates are compared, or no advice is given:", err)
	}
	short := dsp.Block{testsound.Noise(9600, 0.1, 16)}
	_, r := compare(t, short, moved(short, 5, 0.5))
	measuretest.WantReading(t, r, "delay_frames", 5, 0)
	measuretest.WantNoReading(t, r, "integrated_difference_lu") // under 400 ms
	silent := dsp.NewBlock(1, 48000)
	c, _ := compare(t, short, silent)
	if c.Same {
		t.Error("silence is taken for a copy")
	}
}

// The noise in the pauses is compared where there are pauses: 6.02 dB more of it.
func TestCompareNoiseFloor(t *testing.T) {
	dsptest.Exhaustive(t)
	a := testsound.SpeechTake(-70, 5)
	quiet, loud := testsound.CopyOf(dsp.Block{a}), testsound.CopyOf(dsp.Block{a})
	for n, v := range testsound.Noise(len(a), dsp.DBToAmplitude(-60), 18) {
		loud[0][n] += v
	}
	_, r := compare(t, quiet, loud)
	// Uniform noise of ±1e-3 has −64.77 dBFS, beside −70 before: their sum is at −63.63.
	measuretest.WantReading(t, r, "noise_floor_difference_db", 70-63.63, 0.3)
}

// The residual is written: B on A's level, less A.
func TestCompareResidual(t *testing.T) {
	a := dsptest.Speechlike(48000, 1, 3*48000, 17)
	b := moved(a, 10, 0.5)
	b[0][20010] += 0.25
	sink := wave.NewMemory(wave.Unquantised(48000, 1), make(dsp.Block, 1))
	if _, err := Sounds(t.Context(), opened(a), opened(b), Settings{Residual: sink}); err != nil {
		t.Fatal(err)
	}
	got := sink.Planes()[0]
	if len(got) != a.Frames() || math.Abs(got[20000]-0.5) > 0.001 {
		t.Errorf("%d frames, %g at 20000, want %d and 0.5", len(got), got[20000], a.Frames())
	}
}

// loud reports whether a sound stands out of the rounding to 24 bits.
func loud(b dsp.Block) bool {
	return b.Frames() > 0 && vector.SumOfSquares(b[0])/float64(b.Frames()) > 1e-8
}

// Whatever two sounds come in, readings or reasons come out, in JSON that any reader
// takes, or an error that names the frame.
func TestCompareWhatever(t *testing.T) {
	dsptest.Exhaustive(t)
	tone := func(hz float64, from int) []float64 {
		x := make([]float64, 48000)
		for n := range x {
			if n >= from {
				x[n] = 0.5 * math.Sin(2*math.Pi*hz*float64(n-from)/48000)
			}
		}
		return x
	}
	constant := func(v float64, frames int) []float64 {
		x := make([]float64, frames)
		for n := range x {
			x[n] = v
		}
		return x
	}
	voice := testsound.SpeechTake(-65, 3)[:48000]
	with := func(v float64) []float64 {
		x := slices.Clone(voice)
		x[1234] = v
		return x
	}
	sounds := map[string][]float64{
		"empty": nil, "1 frame": {0.5}, "2 frames": {0.5, -0.25}, "silence": constant(0, 48000), "DC": constant(0.25, 48000),
		"a tone": tone(1000, 0), "the tone later": tone(1000, 7), "another tone": tone(1500, 0), "voice": voice,
		"inverted": moved(dsp.Block{voice}, 0, -1)[0], "an impulse": with(1e6), "as large as goes": testsound.Times(voice, 1e99), "denormal": constant(5e-324, 4800),
		"NaN": with(math.NaN()), "infinity": with(math.Inf(-1)), "too large": with(1e101),
	}
	for a, x := range sounds {
		for b, y := range sounds {
			match := LeastSquares
			if a < b {
				match = LevelsAsTheyAre
			}
			c, err := Sounds(t.Context(), opened(dsp.Block{x}), opened(dsp.Block{y}), Settings{Match: match})
			bad := (*IncomparableError)(nil)
			refused := func(name string) bool { return name == "NaN" || name == "infinity" || name == "too large" }
			switch {
			case errors.As(err, &bad):
				if name := []string{a, b}[bad.Sound]; !refused(name) || bad.Frame != 1234 {
					t.Errorf("%s and %s: %v", a, b, err)
				}
				continue
			case err != nil:
				t.Fatalf("%s and %s: %v", a, b, err)
			case refused(a) || refused(b):
				t.Errorf("%s and %s are compared", a, b)
			}
			r := c.Readings()
			if _, err := json.Marshal(r); err != nil { // which refuses NaN and infinities
				t.Errorf("%s and %s: %v", a, b, err)
			}
			for _, n := range r {
				if n.Measurable() && n.Value-n.Value != 0 {
					t.Errorf("%s and %s: %s is %g", a, b, n.Name, n.Value)
				}
			}
			if s := c.Summary(); strings.Contains(s, "NaN") || strings.Contains(s, "Inf") {
				t.Errorf("%s and %s: %s", a, b, s)
			}
		}
	}
}

// Of places that are as good in a tone, its beginning and its end decide which it is.
func TestCompareTone(t *testing.T) {
	tone := make([]float64, 96000)
	for n := range tone {
		tone[n] = 0.3 * math.Sin(2*math.Pi*float64(n)/48) * (1 + 0.3*math.Sin(2*math.Pi*3*float64(n)/48000))
	}
	for _, frames := range dsptest.Some(2, []int{4801, 4, 100}) {
		c, r := compare(t, dsp.Block{tone}, dsp.Block{append(make([]float64, frames), tone...)})
		measuretest.WantReading(t, r, "delay_frames", float64(frames), 0)
		if r, _ := r.Get("residual_dbfs"); r.Beyond >= 0 {
			t.Errorf("%d frames: %s", frames, c.Summary())
		}
	}
}

// What happened to one channel is reported of that channel.
func TestCompareChannels(t *testing.T) {
	x, y := testsound.SpeechTake(-65, 3)[:96000], testsound.Noise(96000, 0.02, 9)
	for _, c := range []struct {
		b    dsp.Block
		says string
	}{
		{dsp.Block{testsound.Times(x, -1), y}, "B is inverted in channel 1; no other difference"},
		{dsp.Block{x, testsound.Times(y, -0.5)}, "B is inverted in channel 2, 6.02 dB quieter in channel 2; no other difference"},
		{dsp.Block{testsound.Times(x, 0.5), y}, "B is 6.02 dB quieter in channel 1; no other difference"},
		{dsp.Block{append(make([]float64, 20), x[:len(x)-20]...), y}, "B is another sound in channel 1, or the same at another time; the rest is at -2"},
		{dsp.Block{x, make([]float64, len(y))}, "B is silent in channel 2"},
		{dsp.Block{testsound.Times(x, 2), testsound.Times(y, 2)}, "B is 6.02 dB louder; "},
	} {
		for _, match := range dsptest.Some(1, []LevelMatch{LeastSquares, EqualLoudness, LevelsAsTheyAre}) {
			got, err := Sounds(t.Context(), opened(dsp.Block{x, y}), opened(c.b), Settings{Match: match})
			if err != nil {
				t.Fatal(err)
			}
			if s := got.Summary(); !strings.HasPrefix(s, c.says) {
				t.Errorf("want %q, got %q", c.says, s)
			}
			// The channel that was left alone has no difference.
			for i, plane := range (dsp.Block{x, y}) {
				if match == LeastSquares && &c.b[i][0] == &plane[0] {
					if r, _ := got.Readings().Get(fmt.Sprintf("residual_dbfs_ch%d", i+1)); r.Beyond >= 0 {
						t.Errorf("%s: channel %d has %v", c.says, i+1, r)
					}
				}
			}
		}
	}
}
