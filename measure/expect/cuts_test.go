package expect

import (
	"math/rand/v2"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
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
		{"24 to 16 bits", written{24, 24, 1}, written{16, 16, 9}, false, `noise at -\d+\.\d dBFS.*; it is 16-bit integer, and was 24-bit integer; it uses 16 bits, and used 24 \(`},
		{"24 to 16 bits in 24", written{24, 24, 1}, written{24, 16, 9}, false, `noise.* leaves it; it uses 16 bits, and used 24 \(`},
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
