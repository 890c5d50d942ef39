package compare

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/measuretest"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

func sine(hz, amplitude float64, frames int, from float64) []float64 {
	x := make([]float64, frames)
	for n := range x {
		if at := float64(n) - from; at >= 0 {
			x[n] = amplitude * math.Sin(2*math.Pi*hz*at/48000)
		}
	}
	return x
}

func sum(x, y []float64) []float64 {
	out := make([]float64, len(x))
	for n := range x {
		out[n] = x[n] + y[n]
	}
	return out
}

// kindsOf are the kinds of difference in a list.
func kindsOf(all []Difference) (kinds string) {
	for _, d := range all {
		kinds += string(d.Kind) + " "
	}
	return kinds
}

// Two steady tones that begin are placed by their beginning, also between frames and
// beyond the period in which both repeat; the gain is that of the right place.
func TestTwoTonesAreFoundByTheirBeginning(t *testing.T) {
	frames := 96000
	tones := func(from float64) dsp.Block {
		n := frames + int(math.Ceil(from))
		return dsp.Block{sum(sine(1000, 0.2, n, from), sine(1500, 0.1, n, from))}
	}
	for _, delay := range []float64{480, 63632.8} {
		c, r := compare(t, tones(0), tones(delay))
		measuretest.WantReading(t, r, "delay_frames", delay, 0.05)
		measuretest.WantReading(t, r, "gain_db", 0, 0.05)
		if strings.Contains(kindsOf(c.Differences()), "ambiguous") {
			t.Error(c.Summary())
		}
	}
}

// A part of a steady sound fits at every period: that is said, with the period.
func TestPlaceOfAPeriodicSoundIsAmbiguous(t *testing.T) {
	long := dsp.Block{sum(sine(1000, 0.2, 96000, 0), sine(1500, 0.1, 96000, 0))}
	c, _ := compare(t, long, dsp.Block{long[0][1000:50000]})
	all := c.Differences()
	if len(all) == 0 || all[0].Kind != Ambiguous || math.Abs(all[0].Value-96) > 0.1 {
		t.Errorf("want a period of 96 frames: %s", c.Summary())
	}
	// A voice has one place.
	voice := dsp.Block{testsound.SpeechTake(-65, 3)[:96000]}
	if c, _ := compare(t, voice, dsp.Block{voice[0][1000:50000]}); strings.Contains(kindsOf(c.Differences()), "ambiguous") {
		t.Error(c.Summary())
	}
}

// A take of a few frames is refused before anything is searched: opening it twice and
// the other twice is all. (No test measures time; this counts reads.)
func TestShortTakesAreNotSearchedFor(t *testing.T) {
	long := testsound.SpeechTake(-65, 3)
	for frames := 1; frames <= 10; frames++ {
		opens := 0
		count := func(b dsp.Block) func() (wave.Source, error) {
			return func() (wave.Source, error) {
				opens++
				return opened(b)()
			}
		}
		c, err := Sounds(t.Context(), count(dsp.Block{long[1000 : 1000+frames]}), count(dsp.Block{long}), Settings{})
		if err != nil {
			t.Fatal(err)
		}
		if c.Same || opens > 2 || !strings.Contains(c.Summary(), "at least 32 are needed") && !strings.Contains(c.Summary(), "silent") {
			t.Errorf("%d frames, opened %d times: %s", frames, opens, c.Summary())
		}
	}
}

// What keeps every frame in its place has no delay and no drift, whatever it does to
// the spectrum and the level: filters with a phase and a gain that moves.
func TestFrameAlignedProcessorHasNoDelay(t *testing.T) {
	sounds := map[string]dsp.Block{"generated": {dsptest.Speechlike(48000, 1, 6*48000, 31)[0]}}
	recorded, _ := testsound.ReadTake(t, "harbour-street.wav")
	sounds["recorded"] = recorded
	for name, a := range sounds {
		if name != "recorded" && !dsptest.IsExhaustive() {
			continue
		}
		b := testsound.CopyOf(a)
		dsp.NewCascade(append(dsp.ButterworthHighPass(2, 80, 48000), dsp.CookbookBell(250, -2, 1, 48000), dsp.CookbookBell(3200, 2.5, 0.8, 48000), dsp.CookbookHighShelf(9000, 1, 0.7071, 48000)), 1).Process(b)
		level := 0.0
		for n, v := range b[0] { // 3:1 over −26 dBFS, with 5 ms up and 100 ms down
			if p := v * v; p > level {
				level += (p - level) / 240
			} else {
				level += (p - level) / 4800
			}
			if over := level / dsp.DBToPower(-26); over > 1 {
				b[0][n] *= math.Pow(over, -1.0/3)
			}
		}
		c, r := compare(t, a, b)
		measuretest.WantReading(t, r, "delay_frames", 0, 0)
		measuretest.WantReading(t, r, "drift_ppm", 0, 0)
		if k := kindsOf(c.Differences()); strings.Contains(k, "cut") || strings.Contains(k, "insertion") || strings.Contains(k, "click") || strings.Contains(k, "tone") {
			t.Errorf("%s: %s", name, c.Summary())
		}
	}
}

// cutSource ends earlier each time it is opened after the first.
type cutSource struct {
	*wave.Memory
	left int
}

func (s *cutSource) Read(b dsp.Block) (int, error) {
	if s.left <= 0 {
		return 0, io.EOF
	}
	part := make(dsp.Block, len(b))
	for c := range b {
		part[c] = b[c][:min(len(b[c]), s.left)]
	}
	n, err := s.Memory.Read(part)
	s.left -= n
	return n, err
}

// SeekFrame hides that of Memory: what is left is counted from the beginning.
func (s *cutSource) SeekFrame(int64) error { return errors.ErrUnsupported }

// A file that is cut while it is read is named, with the frame.
func TestCutWhileReadIsReported(t *testing.T) {
	a := dsp.Block{testsound.SpeechTake(-65, 3)[:96000]}
	b := dsp.Block{testsound.Times(a[0], 0.5)}
	for i := range 2 {
		opens := [2]int{}
		shrinking := func(which int, x dsp.Block) func() (wave.Source, error) {
			return func() (wave.Source, error) {
				opens[which]++
				left := 96000
				if which == i && opens[which] > 1 {
					left = 50000
				}
				return &cutSource{wave.NewMemory(wave.Unquantised(48000, 1), x), left}, nil
			}
		}
		_, err := Sounds(t.Context(), shrinking(0, a), shrinking(1, b), Settings{})
		short := (*ShortenedError)(nil)
		if !errors.As(err, &short) || short.Sound != i || short.Frame != 50000 || short.Had != 96000 {
			t.Errorf("sound %d is cut at 50000: %v", i, err)
		}
	}
}

// One click of one sample is found in speech wherever it stands: with its frame, and a
// level within 1 dB. What was done to the whole of a take is none.
func TestOneClickIsFound(t *testing.T) {
	a, rate := testsound.ReadTake(t, "harbour-street.wav")
	a = dsp.Block{a[0][:3*rate]}
	// Nearer than 3 ms to an end the edges are not judged.
	for _, frame := range []int{200, 50001, a.Frames() - 200} {
		for _, db := range dsptest.Some(1, []float64{-40, -26}) {
			b := testsound.CopyOf(a)
			b[0][frame] += dsp.DBToAmplitude(db)
			c, _ := compare(t, a, b)
			all := c.Differences()
			if len(all) == 0 || all[0].Kind != Click || all[0].Count != 1 || all[0].Frame != int64(frame) || math.Abs(all[0].Value-db) > 0.1 { // nothing else differs
				t.Errorf("%g dBFS at %d: %s", db, frame, c.Summary())
			}
		}
	}
}

// Files are paired by name; what has no counterpart is listed, and two of one name on
// one side are refused.
func TestPairByName(t *testing.T) {
	p, err := PairByName([]NamedFile{{"b.wav", "old/b.wav"}, {"a.wav", "old/a.wav"}, {"gone.wav", "old/gone.wav"}}, []NamedFile{{"a.wav", "new/a.wav"}, {"b.wav", "new/b.wav"}, {"added.wav", "new/added.wav"}})
	if got := fmt.Sprint(p, err); got != "{[{a.wav old/a.wav new/a.wav} {b.wav old/b.wav new/b.wav}] [{gone.wav old/gone.wav}] [{added.wav new/added.wav}]} <nil>" {
		t.Error(got)
	}
	for _, twice := range [][2][]NamedFile{{{{"a", "x/a"}, {"a", "y/a"}}, nil}, {nil, {{"a", "x/a"}, {"a", "y/a"}}}} {
		if _, err := PairByName(twice[0], twice[1]); err == nil || !strings.Contains(err.Error(), "x/a and y/a") {
			t.Error(err)
		}
	}
}

// Results come worst first, the same at any number of jobs; a pair that cannot be read
// does not end the others; an ended context ends all.
func TestPairsWorstFirst(t *testing.T) {
	voice := dsp.Block{testsound.SpeechTake(-65, 3)[:48000]}
	sounds := map[string]dsp.Block{"a": voice, "same": voice, "quieter": {testsound.Times(voice[0], 0.5)}, "cut": {voice[0][:40000]}, "other": {testsound.Noise(48000, 0.1, 4)}}
	broken := errors.New("found nothing")
	open := func(path string) (wave.Source, error) {
		if path == "broken" {
			return nil, broken
		}
		return opened(sounds[path])()
	}
	pairs := []Pair{{"1", "a", "same"}, {"2", "a", "quieter"}, {"3", "a", "broken"}, {"4", "a", "other"}, {"5", "a", "cut"}}
	for _, jobs := range []int{1, 4} {
		done := 0
		all, err := Pairs(t.Context(), pairs, open, Settings{}, jobs, func(Result) { done++ })
		order := ""
		for _, r := range all {
			order += r.Name
		}
		if err != nil || order != "34521" || done != 5 || !errors.Is(all[0].Err, broken) || !all[4].Unchanged() || all[3].Unchanged() {
			t.Errorf("%d jobs: %s, %v", jobs, order, err)
		}
	}
	ended, end := context.WithCancel(t.Context())
	end()
	if _, err := Pairs(ended, pairs, open, Settings{}, 2, nil); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

// The table by third octave holds the levels, the difference and the response: of noise
// of a known density 6.02 dB down above a bell's reach.
func TestThirdOctaveTable(t *testing.T) {
	a := dsp.Block{testsound.Noise(4*48000, 0.1, 6)}
	b := testsound.CopyOf(a)
	dsp.NewCascade([]dsp.Biquad{dsp.CookbookBell(1000, 6, 1, 48000)}, 1).Process(b)
	c, r := compare(t, a, b)
	table := c.ThirdOctaves()
	for _, row := range table.Rows {
		// Uniform noise of ±0.1 has a mean square of 0.01/3, spread over 24 kHz.
		width := row[0] * (math.Pow(10, 0.05) - math.Pow(10, -0.05))
		if want := 10 * math.Log10(0.01/3*width/24000); row[0] > 500 && math.Abs(row[1]-want) > 0.7 { // 4 s of a band of 115 Hz scatter by 0.2 dB
			t.Errorf("%g Hz: %.2f dBFS, want %.2f", row[0], row[1], want)
		}
		if residual, _ := r.Get(fmt.Sprintf("residual_%dhz_dbfs", int(row[0]))); residual.Value != row[3] {
			t.Errorf("%g Hz: %g, the reading has %v", row[0], row[3], residual)
		}
	}
	if at := table.Rows[17]; at[0] != 1000 || math.Abs(at[4]-6) > 0.4 || at[5] < 0.99 { // the mean over the band, and the skirts in the median
		t.Errorf("at 1 kHz: %v", at)
	}
	if other, _ := compare(t, dsp.Block{a[0][:48000]}, dsp.Block{testsound.Noise(48000, 0.1, 7)}); len(other.ThirdOctaves().Rows) != 0 {
		t.Error("different sounds have rows")
	}
}

// A beginning that B lacks is missing, like an end; a latency is not. B is A with
// its first frames taken away, or late by some and as long as A.
func TestLostEndsAreMissing(t *testing.T) {
	const rate = 48000
	rng := rand.New(rand.NewPCG(3, 4))
	cases := 1
	if dsptest.IsExhaustive() {
		cases = 5
	}
	for range cases {
		a := dsp.Block{testsound.Noise(8*rate, 0.1, rng.Uint64())}
		for _, of := range []struct {
			frames int // by which B is later
			lost   bool
		}{
			{-1 - rng.IntN(int(mostEarly*rate)), false},
			{-int(mostEarly*rate) - 1 - rng.IntN(rate), true},
			{1 + rng.IntN(int(mostLate*rate)), false},
			{int(mostLate*rate) + 1 + rng.IntN(rate), true},
		} {
			b := a[0][max(0, -of.frames):]
			if of.frames > 0 {
				b = append(make([]float64, of.frames), a[0][:len(a[0])-of.frames]...)
			}
			_, r := compare(t, a, dsp.Block{b})
			want := 0.0
			if of.lost {
				want = math.Abs(float64(of.frames)) * 1000 / rate
			}
			missing, _ := r.Get("missing_ms")
			if math.Abs(missing.Value-want) > 1.01*1000/rate { // the frame that a fraction of a delay shifts out
				t.Errorf("%d frames later: %g ms are missing, want %g", of.frames, missing.Value, want)
			}
		}
	}
	term, _ := measure.Explain("missing_ms")
	for _, figure := range []string{fmt.Sprintf(" %g s ", mostLate), fmt.Sprintf(" %g ms ", mostEarly*1000)} {
		if !strings.Contains(term.String(), figure) {
			t.Errorf("explain missing_ms does not state%s", figure)
		}
	}
}
