package take

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// Clipping is found by its shape after a change of level, dither or a high-pass, in
// recorded speech; what was not clipped has none.
func TestClippedPeaksByShape(t *testing.T) {
	for _, pattern := range []string{takes.SpokenNames, takes.Readings} {
		clips, rate := takes.Recorded(t, pattern)
		x := slices.Concat(clips...)
		x = x[:min(len(x), 8*rate)]
		peak := 0.0
		for _, v := range x {
			peak = max(peak, math.Abs(v))
		}
		clipped := make([]float64, len(x))
		runs := 0
		for n, v := range x {
			limit := peak / 2
			clipped[n] = max(-limit, min(limit, v)) / limit
			if n > 5 && math.Abs(clipped[n]) == 1 && math.Abs(clipped[n-1]) != 1 {
				if flatFor(x, limit, n, 5) {
					runs++
				}
			}
		}
		rng := rand.New(rand.NewPCG(4, 4))
		dithered := func(x []float64) []float64 {
			y := make([]float64, len(x))
			for n, v := range x {
				y[n] = math.Round(0.4*v*32768+rng.Float64()-rng.Float64()) / 32768
			}
			return y
		}
		passed := dsp.Block{testsound.Times(clipped, 0.6)}
		dsp.NewCascade(dsp.ButterworthHighPass(2, 60, float64(rate)), 1).Process(passed)
		for name, y := range map[string][]float64{
			"another level": testsound.Times(clipped, 0.37), "dithered to 16 bits": dithered(clipped), "high-passed": passed[0], "high-passed and dithered": dithered(passed[0]),
		} {
			in := inspectAt(t, rate, y)
			got := reading(in, "flat_tops").Value + reading(in, "clips").Value
			t.Logf("%s, %d Hz: %g of %d", name, rate, got, runs)
			// A high-pass tilts long tops beyond what counts as flat. Equal samples show
			// tops of 3 and 4 samples as well, up to twice as many.
			least := 0.8
			if strings.Contains(name, "high-passed") {
				least = 0.4
			}
			if got < least*float64(runs) || got > 2*float64(runs) {
				t.Errorf("%s, %d Hz: %g flat tops, %d peaks were clipped for 5 samples and more", name, rate, got, runs)
			}
		}
		for name, y := range map[string][]float64{"as recorded": x, "dithered": dithered(x), "softer": testsound.Times(x, 0.37)} {
			if got := reading(inspectAt(t, rate, y), "flat_tops"); got.Value != 0 {
				t.Errorf("%s, %d Hz: %v", name, rate, got)
			}
		}
	}
}

// Peaks that are flat by chance lie among louder ones that are round, each at its own
// level: that is no clipping. The same voice of harmonics of 80 to 220 Hz, clipped by 2 to
// 9 dB and high-passed, is found.
func TestFlatPeaksByChance(t *testing.T) {
	const rate = 48000
	byChance := 0
	for _, seed := range dsptest.Some(2, []uint64{13, 16, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 14, 15, 17, 18, 19, 20, 21, 22, 23, 24}) {
		rng := rand.New(rand.NewPCG(seed, 21))
		x := make([]float64, 6*rate)
		var vowels [6]struct{ level, phase [12]float64 }
		for i := range vowels {
			for k := range vowels[i].level {
				vowels[i].level[k], vowels[i].phase[k] = rng.Float64()/float64(k+1), 2*math.Pi*rng.Float64()
			}
		}
		for n := 0; n < len(x); {
			hz, length := 80+140*rng.Float64(), rate/10+rng.IntN(rate/4)
			v := vowels[rng.IntN(len(vowels))]
			level, phase := v.level, v.phase
			for i := 0; i < length && n < len(x); i++ {
				v, at := 0.0, float64(n)/rate
				for k := range level {
					v += level[k] * math.Sin(2*math.Pi*hz*float64(k+1)*at+phase[k])
				}
				x[n] = 0.1 * v * math.Sin(math.Pi*float64(i)/float64(length))
				n++
			}
		}
		peak := 0.0
		for _, v := range x {
			peak = max(peak, math.Abs(v))
		}
		x = testsound.Times(x, 0.5/peak)
		// Some of the softer peaks are flattened, each at its own level.
		some := slices.Clone(x)
		for from := rng.IntN(rate / 4); from+rate/50 < len(x); from += rate/8 + rng.IntN(rate/4) {
			period, most := some[from:from+rate/50], 0.0
			for _, v := range period {
				most = max(most, v)
			}
			for n, v := range period {
				if most > 0.26 && most < 0.42 {
					period[n] = min(v, 0.96*most)
				}
			}
		}
		top := flatTops{}
		top.expect(0, len(some), 1)
		top.look(some, 0)
		byChance += len(top.tops)
		for k := range some { // by equal samples they would be found in any case
			some[k] *= 1 + 1e-7*rng.NormFloat64()
		}
		if got := reading(inspectAt(t, rate, some), "flat_tops"); got.Value != 0 {
			t.Errorf("seed %d: %v", seed, got)
		}
		limit, passed := 0.5*math.Pow(10, -(2+7*rng.Float64())/20), dsp.Block{slices.Clone(x)}
		for n, v := range x {
			passed[0][n] = max(-limit, min(limit, v))
		}
		dsp.NewCascade(dsp.ButterworthHighPass(2, 20+40*rng.Float64(), rate), 1).Process(passed)
		if got := reading(inspectAt(t, rate, passed[0]), "flat_tops"); got.Value < leastFlatTops {
			t.Errorf("seed %d: clipped at %.2f: %v", seed, limit, got)
		}
	}
	if byChance < 20 {
		t.Errorf("%d flat peaks: nothing is tested", byChance)
	}
}

// flatFor reports whether a clipped run is at least so long.
func flatFor(x []float64, limit float64, n, frames int) bool {
	for k := range frames {
		if n+k >= len(x) || math.Abs(x[n+k]) < limit || math.Signbit(x[n+k]) != math.Signbit(x[n]) {
			return false
		}
	}
	return true
}

// Sound that is missing is a dropout, whatever was put in its place; recorded sound has
// none.
func TestMissingSound(t *testing.T) {
	p := takes.Spoken(t, takes.Readings)
	room := takes.NewRoom(p, "room", 30, 0.2, 12, 3)
	x := room.Take()
	at := room.Pauses[0][0] - room.Rate/2 // inside speech
	for n := at; math.Abs(x[n]) < 0.02; n++ {
		at = n + 1
	}
	length := room.Rate / 50
	rng := rand.New(rand.NewPCG(8, 8))
	for name, fill := range map[string]func(n int) float64{
		"zeros": func(int) float64 { return 0 }, "one value": func(int) float64 { return x[at-1] },
		"soft noise": func(int) float64 { return 2e-5 * (2*rng.Float64() - 1) },
	} {
		y := slices.Clone(x)
		for n := at; n < at+length; n++ {
			y[n] = fill(n)
		}
		in := inspectAt(t, room.Rate, y)
		if got := reading(in, "dropouts"); got.Value != 1 {
			t.Errorf("%s: %v", name, got)
			continue
		}
		for _, e := range in.Events {
			if e.Kind == "dropout" && (math.Abs(float64(e.Frame-int64(at))) > float64(room.Rate)/500 || math.Abs(float64(e.Frames)-float64(length)) > float64(room.Rate)/250) {
				t.Errorf("%s: %+v, planted at %d, %d frames", name, e, at, length)
			}
		}
	}
	if got := reading(inspectAt(t, room.Rate, x), "dropouts"); got.Value != 0 {
		t.Errorf("nothing is missing: %v", got)
	}
	for _, pattern := range []string{takes.Readings, takes.SpokenNames} {
		clips, rate := takes.Recorded(t, pattern)
		for k, x := range clips {
			if got := reading(inspectAt(t, rate, x), "dropouts"); got.Value != 0 {
				t.Errorf("recording %d of %s: %v", k, pattern, got)
			}
		}
	}
}

// The same samples are judged alike, whatever format they lie in.
func TestFormatChangesNoVerdict(t *testing.T) {
	demo, rate := testsound.ReadTake(t, "harbour-street.wav")
	x := make([]float64, 4*rate)
	for n := range x {
		x[n] = math.Round(demo[0][n]*32768) / 32768
	}
	findings := func(f wave.Format) (all []string) {
		f.Rate, f.Channels = rate, 1
		in, err := Inspect(t.Context(), func() (wave.Source, error) { return wave.NewMemory(f, dsp.Block{x}), nil })
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range in.Findings {
			all = append(all, f.What)
		}
		for _, r := range in.Readings {
			all = append(all, r.Name+" "+r.String())
		}
		return all
	}
	want := findings(wave.Format{Encoding: wave.Integer, Bits: 16})
	for _, f := range []wave.Format{{Encoding: wave.Integer, Bits: 24}, {Encoding: wave.Integer, Bits: 32}, {Encoding: wave.Float, Bits: 32}, {Encoding: wave.Float, Bits: 64}} {
		if got := findings(f); !slices.Equal(got, want) {
			t.Errorf("%d-bit %v: %q, in 16 bits %q", f.Bits, f.Encoding, got, want)
		}
	}
}

// A hundred frames have no offset to speak of.
func TestFewFramesHaveNoOffset(t *testing.T) {
	for _, frames := range []int{1, 2, 10, 100} {
		x := make([]float64, frames)
		for n := range x {
			x[n] = 0.3
		}
		in := inspectAt(t, 48000, x)
		if f, ok := found(in, "offset"); ok {
			t.Errorf("%d frames: %s", frames, f.What)
		}
		if got := reading(in, "dc_dbfs_ch1"); got.Measurable() {
			t.Errorf("%d frames: %v", frames, got)
		}
	}
}

// A channel 10 dB softer than the other is a finding; each channel has a floor and a
// level of speech.
func TestUnevenChannels(t *testing.T) {
	p := takes.Spoken(t, takes.Readings)
	room := takes.NewRoom(p, "pink", 30, 0.2, 12, 3)
	x := room.Take()
	in := inspectAt(t, room.Rate, x, testsound.Times(x, math.Pow(10, -0.5)))
	if f, ok := found(in, "channel 2 is -10.0 dB relative to channel 1"); !ok {
		t.Errorf("%+v", f)
	}
	for _, name := range []string{"noise_floor_dbfs", "speech_level_dbfs"} {
		one, two := reading(in, name+"_ch1"), reading(in, name+"_ch2")
		if !one.Measurable() || math.Abs(one.Value-two.Value-10) > 0.02 { // hundredths of a dB are kept
			t.Errorf("%s: %v and %v", name, one, two)
		}
	}
}

// Hum that the noise around it hides is read and no finding; hum over it is one.
func TestHumAgainstItsNeighbourhood(t *testing.T) {
	p := takes.Spoken(t, takes.Readings)
	for _, c := range []struct {
		dbfs float64
		is   bool
	}{{-58, false}, {-40, true}} {
		room := takes.NewRoom(p, "pink", 24, 0.25, 30, 3)
		x := room.Take()
		for n := range x {
			for k, share := range []float64{1, 0.7, 0.5} {
				x[n] += share * math.Sqrt2 * math.Pow(10, c.dbfs/20) * math.Sin(2*math.Pi*50*float64(2*k+1)*float64(n)/float64(room.Rate))
			}
		}
		in := inspectAt(t, room.Rate, x)
		if f, ok := found(in, "hum"); ok != c.is {
			t.Errorf("hum of %g dBFS in noise of -48: %v; %v %v", c.dbfs, f.What, reading(in, "hum_level_dbfs"), reading(in, "noise_floor_dbfs"))
		}
	}
}

// Rates at which sound cannot be are refused in words.
func TestLowRatesAreRefused(t *testing.T) {
	for _, rate := range []int{1, 2, 10, 999} {
		_, err := Inspect(t.Context(), func() (wave.Source, error) {
			return wave.NewMemory(wave.Unquantised(rate, 1), dsp.Block{make([]float64, 100)}), nil
		})
		if err == nil || !strings.Contains(err.Error(), "accepted: 1000 to ") {
			t.Errorf("%d Hz: %v", rate, err)
		}
	}
}

// A take that has another format when it is opened again is refused in words.
func TestFormatMustNotChangeBetweenOpenings(t *testing.T) {
	sound := measuredNoise(200_000)
	for _, second := range []wave.Source{
		wave.NewMemory(wave.Unquantised(48000, 1), sound[:1]),
		wave.NewMemory(wave.Unquantised(44100, 2), sound),
	} {
		opened := 0
		_, err := Inspect(t.Context(), func() (wave.Source, error) {
			if opened++; opened > 1 {
				return second, nil
			}
			return wave.NewMemory(wave.Unquantised(48000, 2), sound), nil
		})
		if err == nil || !strings.Contains(err.Error(), "when the take was opened again; accepted: 2 at 48000 Hz") {
			t.Errorf("%v: error %v", second.Format(), err)
		}
	}
}

// measuredNoise is steady noise in two channels, in which a floor is found.
func measuredNoise(frames int) dsp.Block {
	rng := rand.New(rand.NewPCG(1, 2))
	b := dsp.NewBlock(2, frames)
	for _, plane := range b {
		for n := range plane {
			plane[n] = 1e-3 * (2*rng.Float64() - 1)
		}
	}
	return b
}

// A lone line of the mains is called that, and a series by what it holds.
func TestHumIsDescribedByItsLines(t *testing.T) {
	const rate = 48000
	for _, c := range dsptest.Some(1, []struct {
		name      string
		harmonics []float64
		says      string
	}{
		{"2, 4, 6 and a trace of 1", []float64{2, 4, 6}, "even harmonics"},
		{"a sine of 60 Hz", []float64{1}, "the fundamental alone"},
		{"1, 3, 5", []float64{1, 3, 5}, "odd harmonics"},
	}) {
		x := testsound.SpeechTake(-75, 2)
		for n := range x {
			for _, k := range c.harmonics {
				x[n] += math.Sqrt2 * math.Pow(10, -45.0/20) * math.Sin(2*math.Pi*60*k*float64(n)/rate)
			}
			if c.harmonics[0] == 2 {
				x[n] += math.Pow(10, -60.0/20) * math.Sin(2*math.Pi*60*float64(n)/rate)
			}
		}
		f, is := found(inspect(t, dsp.Block{x}, 0), "hum of 60.0 Hz")
		if !is || !strings.Contains(f.What, c.says) || !strings.Contains(f.What, "dBFS-rms") {
			t.Errorf("%s: %q, want %q", c.name, f.What, c.says)
		}
	}
}
