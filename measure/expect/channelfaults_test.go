package expect

import (
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// Faults of two channels are stated where loudness or peaks are judged, also of what comes
// out of a chain, and change no verdict. A limit for correlation makes one a failure.
func TestFaultsOfChannels(t *testing.T) {
	voice, rate := testsound.ReadTake(t, "harbour-street.wav")
	x := voice[0]
	rng := rand.New(rand.NewPCG(41, 42))
	channel := func(f func(v, later float64) float64) []float64 {
		y := make([]float64, len(x))
		for n, v := range x {
			y[n] = f(v, x[(n+rate/2)%len(x)]) + 1e-5*rng.NormFloat64()
		}
		return y
	}
	folder := t.TempDir()
	for _, c := range []struct {
		name, want string
		sound      dsp.Block
		through    bool
		passes     bool // with a limit for correlation
	}{
		{"the same", "", dsp.Block{x, x}, false, true},
		{"panned", "", dsp.Block{x, channel(func(v, _ float64) float64 { return 0.3 * v })}, false, true},
		{"two voices", "", dsp.Block{x, channel(func(_, later float64) float64 { return later })}, false, true},
		{"one channel", "", dsp.Block{x}, false, false},
		{"six channels, one silent", "", dsp.Block{x, make([]float64, len(x)), x, x, x, x}, false, false},
		{"silent", "channel 2 is silent", dsp.Block{x, make([]float64, len(x))}, false, false},
		{"channel 1 almost silent", "channel 1 is 40.", dsp.Block{channel(func(v, _ float64) float64 { return 0.01 * v }), x}, false, true},
		{"inverted", "in mono they cancel", dsp.Block{x, channel(func(v, _ float64) float64 { return -0.7 * v })}, false, false},
		{"inverted, through a chain", "in mono they cancel", dsp.Block{x, channel(func(v, _ float64) float64 { return -v })}, true, false},
	} {
		path := filepath.Join(folder, strings.ReplaceAll(c.name, " ", "-")+".wav")
		writeWAV(t, path, c.sound)
		text := "schema = 1\n[[expect]]\nintegrated_lufs = { max = -10 }\n"
		if c.through {
			chain := filepath.Join("..", "..", "testdata", "harbour-street.toml")
			absolute, err := filepath.Abs(chain)
			if err != nil {
				t.Fatal(err)
			}
			text += "through = '" + absolute + "'\n"
		}
		check := func(text string) Checked {
			l, err := Parse("limits.toml", []byte(text))
			if err != nil {
				t.Fatal(err)
			}
			checked := l.CheckFile(t.Context(), path)
			if checked.Err != nil {
				t.Fatal(checked.Err)
			}
			return checked
		}
		checked := check(text)
		got := strings.Join(checked.ChannelFaults, "; ")
		if c.want == "" && got != "" || !strings.Contains(got, c.want) || !checked.Passed() {
			t.Errorf("%s: %q, passes: %t; want %q and a pass", c.name, got, checked.Passed(), c.want)
		}
		if c.through {
			continue
		}
		limited := check("schema = 1\n[[expect]]\ncorrelation = { min = -0.5 }\n")
		if passed := limited.Judgements[0].Verdict == measure.Pass; passed != c.passes {
			t.Errorf("%s: with a limit: %v", c.name, limited.Judgements[0])
		}
	}
}
