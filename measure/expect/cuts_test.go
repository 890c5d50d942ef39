package expect

import (
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// Frames that are cut out or put in are counted against a baseline, and their place is right
// within what is stated, wherever they lie; the gain of the rest is that of the rest.
func TestCutsAgainstABaseline(t *testing.T) {
	voice, rate := testsound.ReadTake(t, "harbour-street.wav")
	x := dithered(voice[0], 16, 1)
	recorded, err := fingerprintOf(t.Context(), Planes(rate, dsp.Block{x}))
	if err != nil {
		t.Fatal(err)
	}
	b := &Baseline{SchemaVersion: BaselineSchema, History: []Reason{{}}, Fingerprint: *recorded}
	rng := rand.New(rand.NewPCG(61, 62))
	says := regexp.MustCompile(`^has (\d+) frames? (\([0-9.]+ ms\) )?(missing|more) at (\d\d):(\d\d):(\d\d\.\d\d\d) ±12 ms`)
	for round := range 12 {
		frames := 1 + rng.IntN(9000)
		at := int((0.12 + 0.065*float64(round)) * float64(len(x)))
		y, word, sign := append(slices.Clone(x[:at]), x[at+frames:]...), "missing", -1
		if round%3 == 2 {
			y, word, sign = slices.Insert(slices.Clone(x), at, testsound.Noise(frames, 0.05, uint64(round))...), "more", 1
		}
		c, err := b.changeOf(t.Context(), Planes(rate, dsp.Block{y}))
		if err != nil {
			t.Fatal(err)
		}
		m := says.FindStringSubmatch(c.sentence())
		if m == nil || m[3] != word || m[1] != strconv.Itoa(frames) {
			t.Errorf("%d frames %s at %d: %s (delay %g, related %.4f)", frames, word, at, c.sentence(), c.delay, c.related)
			continue
		}
		seconds, _ := strconv.ParseFloat(m[6], 64)
		if off := seconds - float64(at)/float64(rate); off < -0.012-0.001 || off > 0.012+0.001 {
			t.Errorf("%d frames %s at %.3f s: %s", frames, word, float64(at)/float64(rate), c.sentence())
		}
		r := c.readings()
		if got, _ := r.Get("frames_change"); got.Value != float64(sign*frames) {
			t.Errorf("frames_change is %g, want %d", got.Value, sign*frames)
		}
		if got, _ := r.Get("gain_change_db"); got.Value > 0.001 || got.Value < -0.001 {
			t.Errorf("%d frames %s: gain_change_db is %g", frames, word, got.Value)
		}
	}
}

// Several cuts and insertions are each counted, in order, at their places.
func TestSeveralEditsAgainstABaseline(t *testing.T) {
	voice, rate := testsound.ReadTake(t, "harbour-street.wav")
	x := dithered(voice[0], 24, 1)
	b := baselineOf(t, rate, dsp.Block{x})
	one := regexp.MustCompile(`(\d+) frames? (?:\([0-9.]+ ms\) )?(missing|more) at \d\d:\d\d:(\d\d\.\d\d\d) ±12 ms`)
	for seed := range dsptest.Some(4, make([]bool, 20)) {
		rng := rand.New(rand.NewPCG(uint64(seed), 5))
		count := 2 + rng.IntN(4)
		y := slices.Clone(x)
		type edit struct {
			frames, at int
			word       string
		}
		edits := make([]edit, count)
		for i := count - 1; i >= 0; i-- { // from the end, so that places are the baseline's
			e := edit{1 + rng.IntN(5000), len(x) * (i + 1) / (count + 1), "missing"}
			e.at += rng.IntN(rate / 2)
			if rng.IntN(3) == 0 {
				e.word = "more"
				y = slices.Insert(y, e.at, testsound.Noise(e.frames, 0.05, uint64(seed))...)
			} else {
				y = slices.Delete(y, e.at, e.at+e.frames)
			}
			edits[i] = e
		}
		c, err := b.changeOf(t.Context(), Planes(rate, dsp.Block{y}))
		if err != nil {
			t.Fatal(err)
		}
		got := one.FindAllStringSubmatch(c.sentence(), -1)
		if len(got) != count {
			t.Errorf("%d: %v: %s", seed, edits, c.sentence())
			continue
		}
		for i, e := range edits {
			seconds, _ := strconv.ParseFloat(got[i][3], 64)
			if off := seconds - float64(e.at)/float64(rate); got[i][1] != strconv.Itoa(e.frames) || got[i][2] != e.word || off < -0.013 || off > 0.013 {
				t.Errorf("%d: %+v: %s", seed, e, got[i][0])
			}
		}
	}
}

// A part that is inverted is named with its seconds: of the one channel, or of one of two.
func TestInvertedPartAgainstABaseline(t *testing.T) {
	voice, rate := testsound.ReadTake(t, "harbour-street.wav")
	mono := dsp.Block{dithered(voice[0], 24, 1)}
	stereo := dsp.Block{mono[0], dithered(testsound.Times(voice[0], 0.8), 24, 2)}
	for _, k := range []struct {
		sound    dsp.Block
		channel  int
		from, to float64 // s
		says     string
	}{
		{mono, 0, 6.6, 13.29, `^is inverted from 00:00:06\.\d+ to 00:00:13\.290 \(±\d+ ms\) and not elsewhere; it has a remaining`},
		{mono, 0, 0, 9, `^is inverted from 00:00:00\.000 to 00:00:08\.[6-9]\d+ \(±\d+ ms\)`},
		{stereo, 1, 4.2, 6.3, `^is inverted in channel 2 from 00:00:04\.\d+ to 00:00:06\.\d+ \(±\d+ ms\)`},
		{stereo, 0, 7, 13.29, `^is inverted in channel 1 from 00:00:0(6\.9|7\.0)\d+ to 00:00:13\.290`},
	} {
		y := testsound.CopyOf(k.sound)
		for n := int(k.from * float64(rate)); n < min(y.Frames(), int(k.to*float64(rate))); n++ {
			y[k.channel][n] = -y[k.channel][n]
		}
		c, err := baselineOf(t, rate, k.sound).changeOf(t.Context(), Planes(rate, y))
		if err != nil {
			t.Fatal(err)
		}
		if !regexp.MustCompile(k.says).MatchString(c.sentence()) {
			t.Errorf("channel %d from %g s: %s", k.channel+1, k.from, c.sentence())
		}
	}
}

// A tone that is as loud as the dither of 16 bits fails in 24 bits, where dither is 48 dB
// lower: q²/2 between two seeds of TPDF dither is -141.5 dBFS (Lipshitz, Wannamaker and
// Vanderkooy, JAES 40(5), 1992).
func TestSoftToneAgainstABaseline(t *testing.T) {
	voice, rate := testsound.ReadTake(t, "harbour-street.wav")
	for _, k := range []struct {
		bits   int
		dbfs   float64
		passes bool
	}{{24, -90, false}, {24, -130, false}, {24, math.Inf(-1), true}, {20, -110, false}, {20, math.Inf(-1), true}, {16, math.Inf(-1), true}} {
		b := baselineOf(t, rate, dsp.Block{dithered(voice[0], k.bits, 1)})
		y := slices.Clone(voice[0])
		for n := range y {
			y[n] += dsp.DBToAmplitude(k.dbfs) * math.Sin(2*math.Pi*1000*float64(n)/float64(rate))
		}
		c, err := b.changeOf(t.Context(), Planes(rate, dsp.Block{dithered(y, k.bits, 9)}))
		if err != nil {
			t.Fatal(err)
		}
		passes := true
		for _, limit := range b.Limits() {
			passes = passes && measure.Judge("x", rate, c.readings(), limit).Verdict == measure.Pass
		}
		if passes != k.passes {
			t.Errorf("%d bits, a tone of %g dBFS: passes is %t: %s", k.bits, k.dbfs, passes, c.sentence())
		}
	}
}

func baselineOf(t *testing.T, rate int, sound dsp.Block) *Baseline {
	t.Helper()
	recorded, err := fingerprintOf(t.Context(), Planes(rate, sound))
	if err != nil {
		t.Fatal(err)
	}
	return &Baseline{SchemaVersion: BaselineSchema, History: []Reason{{}}, Fingerprint: *recorded}
}

// A baseline keeps how samples are written: fewer bits fail in the same container too, and
// the sentence names them. Another seed of dither passes.
func TestFormatAgainstABaseline(t *testing.T) {
	voice, rate := testsound.ReadTake(t, "harbour-street.wav")
	x := voice[0][:5*rate]
	folder := t.TempDir()
	type written struct {
		container, bits int
		seed            uint64
	}
	write := func(path string, w written) {
		t.Helper()
		f := wave.Format{Rate: rate, Channels: 1, Encoding: wave.Integer, Bits: w.container}
		out, err := wave.Create(path, f, wave.Options{Replace: true})
		if err != nil {
			t.Fatal(err)
		}
		if err := out.Write(dsp.Block{dithered(x, w.bits, w.seed)}); err != nil {
			t.Fatal(err)
		}
		if err := out.Commit(); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		name        string
		before, now written
		passes      bool
		says        string
	}{
		{"another seed", written{16, 16, 1}, written{16, 16, 9}, true, `differs by noise at -9\d\.\d dBFS, as another dither seed or other rounding leaves it \(against`},
		{"24 to 16 bits", written{24, 24, 1}, written{16, 16, 9}, false, `steady difference at -\d+\.\d dBFS \(noise, a tone or an offset\); it is 16-bit integer, and was 24-bit integer; it uses 16 bits, and used 24 \(`},
		{"24 to 16 bits in 24", written{24, 24, 1}, written{24, 16, 9}, false, `steady difference at -\d+\.\d dBFS \(noise, a tone or an offset\); it uses 16 bits, and used 24 \(`},
		{"16 bits in 24", written{16, 16, 1}, written{24, 16, 1}, false, `x\.wav is 24-bit integer, and was 16-bit integer \(against`},
		{"more bits", written{16, 16, 1}, written{24, 24, 9}, false, `; it is 24-bit integer, and was 16-bit integer; it uses 24 bits, and used 16 \(`},
	} {
		t.Chdir(folder)
		write("x.wav", c.before)
		if _, err := RecordBaseline(t.Context(), "baseline", "x.wav", c.name, time.Now()); err != nil {
			t.Fatal(err)
		}
		write("x.wav", c.now)
		checked := AgainstBaselines("baseline").CheckFile(t.Context(), "x.wav")
		if checked.Err != nil {
			t.Fatal(checked.Err)
		}
		if got := strings.Join(checked.Changes, "\n"); checked.Passed() != c.passes || !regexp.MustCompile(c.says).MatchString(got) {
			t.Errorf("%s: passes: %t, %q; want %t, %q", c.name, checked.Passed(), got, c.passes, c.says)
		}
		plan, err := PlanRecording(t.Context(), "baseline", []string{"x.wav"}, false)
		if err != nil {
			t.Fatal(err)
		}
		if want := map[bool]RecordState{true: Kept, false: Changed}[c.passes]; plan[0].State != want {
			t.Errorf("%s: recording again says %v, want %v", c.name, plan[0].State, want)
		}
	}
}
