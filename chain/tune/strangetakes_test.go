package tune

import (
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
	"github.com/boothbench/boothbench/dsp/wave"
)

// For unusual takes the proposal states what is unusual, and stages without evidence in the
// take are off. The proposed chain delivers the take to a target, or the target is refused with
// a reason.
func TestProposalForUnusualTakes(t *testing.T) {
	room := takes.NewRoom(takes.Spoken(t, takes.Readings), "pink", 30, 0.25, 10, 5)
	x, rate := room.Take(), room.Rate
	rng := rand.New(rand.NewPCG(5, 84))
	with := func(f func(n int, v float64) float64) []float64 {
		y := make([]float64, len(x))
		for n, v := range x {
			y[n] = f(n, v)
		}
		return y
	}
	inverted, silent := with(func(_ int, v float64) float64 { return -v }), make([]float64, len(x))
	breaths := with(func(n int, _ float64) float64 { return 0.1 * room.Noise[n] })
	for at := 0; at+rate < len(x); at += rate * 3 / 2 {
		takes.Add(breaths, takes.Disturbance("breath", rate, -45, uint64(at)), at)
	}
	plain := proposed(t, rate, ProposeSettings{PredictOnly: true}, x)
	corner := chosen(t, plain, "highpass.corner_hz")
	same := func(p *ProposedChain) string {
		if got := chosen(t, p, "highpass.corner_hz"); got != corner {
			return "another corner of the high-pass"
		}
		return ""
	}
	note := func(text string) func(*ProposedChain) string {
		return func(p *ProposedChain) string {
			if !strings.Contains(strings.Join(p.Notes, " "), text) {
				return "not noted: " + text
			}
			return ""
		}
	}
	off := func(stage, why string) func(*ProposedChain) string {
		return func(p *ProposedChain) string {
			if !strings.Contains(p.Off()[stage], why) {
				return stage + " not off for: " + why
			}
			return ""
		}
	}
	all := map[string]struct {
		planes [][]float64
		check  func(*ProposedChain) string
	}{
		"inverted second channel": {[][]float64{x, inverted}, same},
		"silent second channel":   {[][]float64{x, silent}, note("Channel 2 of take is silent")},
		"an offset":               {[][]float64{with(func(_ int, v float64) float64 { return v + 0.1 })}, same},
		"clipped":                 {[][]float64{with(func(_ int, v float64) float64 { return max(-0.9, min(0.9, 10*v)) })}, note("what was cut off there")},
		"over full scale":         {[][]float64{with(func(_ int, v float64) float64 { return 20 * v })}, same},
		"8 bits":                  {[][]float64{with(func(_ int, v float64) float64 { return math.Round(v*128) / 128 })}, same},
		"ends within a word":      {[][]float64{x[:room.Pauses[1][0]-rate/5]}, same},
		"a level step":            {[][]float64{with(func(n int, v float64) float64 { return v * dsp.DBToAmplitude(-9*float64(2*n/len(x))) })}, same},
		"breaths":                 {[][]float64{breaths}, note("No voice was found")},
		"a tone":                  {[][]float64{with(func(n int, _ float64) float64 { return 0.3 * math.Sin(float64(n)/5) })}, off("expander", "no speech")},
		"applause":                {[][]float64{with(func(int, float64) float64 { return 0.1 * rng.NormFloat64() * max(0.2, rng.Float64()) })}, off("compressor", "above the noise for long enough")},
		"0.3 s":                   {[][]float64{x[:rate*3/10]}, off("expander", "too short")},
		"1.9 s":                   {[][]float64{x[:rate*19/10]}, off("compressor", "for long enough, 3 s")},
	}
	names := []string{"inverted second channel", "a tone", "0.3 s", "1.9 s", "breaths"}
	if dsptest.IsExhaustive() {
		names = nil
		for name := range all {
			names = append(names, name)
		}
	}
	for _, name := range names {
		c := all[name]
		p := proposed(t, rate, ProposeSettings{}, c.planes...)
		if wrong := c.check(p); wrong != "" {
			t.Errorf("%s: %s: notes %q, off %q", name, wrong, p.Notes, p.Off())
		}
		in, out := written24(t, rate, c.planes), filepath.Join(t.TempDir(), "out.wav")
		d, err := Deliver(t.Context(), parsed(t, string(p.Text)), anything(-20), []Job{{In: in, Out: out}}, Settings{Output: chain.Output{Bits: 24}})
		var refusal *Refusal
		switch {
		case errors.As(err, &refusal) && refusal.Reason != "":
			if name != "0.3 s" {
				t.Errorf("%s: %v", name, err)
			}
		case err != nil:
			t.Errorf("%s: %v", name, err)
		default:
			if is := value(t, read(t, out), "integrated_lufs"); math.Abs(is+20) > okLU || is != d.LoudnessLUFS {
				t.Errorf("%s: delivered %.3f LUFS, stated %.3f", name, is, d.LoudnessLUFS)
			}
		}
	}
}

// The proposal, its chain file and its report are the same bytes at any block size and number
// of processors.
func TestProposalDoesNotDependOnBlocks(t *testing.T) {
	room := takes.NewRoom(takes.Spoken(t, takes.Readings), "pink", 22, 0.2, 8, 3)
	x := room.Take()
	var first []byte
	for _, most := range []int{1 << 20, 1009, 37} {
		func() {
			if most == 1009 {
				defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
			}
			p, err := Propose(t.Context(), []Take{{"take", func() (wave.Source, error) {
				return &shortReads{wave.NewMemory(wave.Unquantised(room.Rate, 1), dsp.Block{x}), most}, nil
			}}}, ProposeSettings{})
			if err != nil {
				t.Fatal(err)
			}
			d := p.Takes[0]
			text, err := json.Marshal([]any{string(p.Text), d, d.FloorAfter, d.FloorBefore, d.After})
			if err != nil {
				t.Fatal(err)
			}
			if first == nil {
				first = text
			} else if !slices.Equal(first, text) {
				t.Errorf("in blocks of %d frames at most:\n%s\nwant\n%s", most, text, first)
			}
		}()
	}
}

// shortReads returns at most this many frames at a time.
type shortReads struct {
	wave.Source
	most int
}

func (s *shortReads) Read(b dsp.Block) (int, error) {
	part := make(dsp.Block, len(b))
	for c := range b {
		part[c] = b[c][:min(len(b[c]), s.most)]
	}
	return s.Source.Read(part)
}

// Where a take has no loudness, the predicted one has none for the same reason.
func TestPredictedLoudnessHasTheReasonOfTheTake(t *testing.T) {
	for what, x := range map[string][]float64{"too short": sine(48000, 300, 0.1, 0.3), "nothing above the gate": sine(48000, 300, 1e-5, 2)} {
		d := proposed(t, 48000, ProposeSettings{PredictOnly: true}, x).Takes[0]
		if after, _ := d.After.Get("integrated_lufs"); after.Measurable() || !strings.Contains(after.Reason, what) {
			t.Errorf("%s: %v", what, after)
		}
	}
}
