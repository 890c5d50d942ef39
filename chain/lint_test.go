package chain_test

import (
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain"
)

func TestWarnings(t *testing.T) {
	const (
		limiter    = "[[stage]]\nkind = \"limiter\"\n"
		compressor = "[[stage]]\nkind = \"compressor\"\nthreshold_dbfs = -20\n"
		expander   = "[[stage]]\nkind = \"expander\"\nthreshold_dbfs = -48\n"
		deEsser    = "[[stage]]\nkind = \"de-esser\"\n"
		highpass   = "[[stage]]\nkind = \"highpass\"\n"
		gain       = "[[stage]]\nkind = \"gain\"\n"
		equaliser  = "[[stage]]\nkind = \"equaliser\"\n[[stage.band]]\nshape = \"bell\"\ncentre_hz = 300\ngain_db = -2\n"
	)
	for _, test := range []struct {
		name, text string
		want       []string // what each warning says, in order; all of them
	}{
		{"a usual chain", highpass + expander + compressor + equaliser + deEsser + limiter, nil},
		{"no stage", "", []string{"no stage"}},
		{"all disabled", limiter + "enabled = false\n", []string{"every stage is disabled"}},
		{"gain after limiter", limiter + gain + "gain_db = 3\n", []string{"stage 2 (gain): +3 dB after the limiter (stage 1)"}},
		{"lowering after limiter", limiter + gain + "gain_db = -3\n", []string{"stage 2 (gain): it follows the limiter (stage 1), whose verification holds its own output"}},
		{"lowering after a limiter in causal form", limiter + "verify = false\n" + gain + "gain_db = -3\n", nil},
		{"gain after a disabled limiter", limiter + "enabled = false\n" + gain + "gain_db = 3\n", nil},
		{"make-up after limiter", limiter + compressor + "makeup_db = 3\n", []string{"stage 2 (compressor): +3 dB of make-up after the limiter (stage 1)"}},
		{"equaliser after limiter", limiter + equaliser, []string{"stage 2 (equaliser): a filter after the limiter (stage 1)"}},
		{"high-pass after limiter", limiter + highpass, []string{"stage 2 (highpass): a filter after the limiter (stage 1)"}},
		{"de-esser after limiter", limiter + deEsser, []string{"stage 2 (de-esser): it follows the limiter (stage 1)"}},
		{"two limiters", limiter + limiter, []string{"stage 2 (limiter): a second limiter: stage 1 is one already"}},
		{"expander after compressor", compressor + expander, []string{"stage 2 (expander): it follows the compressor (stage 1)"}},
		{"expander over compressor", expander + strings.Replace(compressor, "-20", "-50", 1), []string{"stage 2 (compressor): its threshold, -50 dBFS, is not over that of the expander (stage 1), -48 dBFS"}},
		{"compressor over ceiling", strings.Replace(compressor, "-20", "-0.5", 1) + limiter, []string{"stage 1 (compressor): its threshold, with make-up and the limiter's drive at -0.5 dBFS, is over the ceiling of the limiter (stage 2), -1 dBTP"}},
		{"release under attack", compressor + "attack_ms = 20\nrelease_ms = 10\n", []string{"stage 1 (compressor): release 10 ms is shorter than attack 20 ms"}},
		{"expander look-ahead under attack is fine", expander + "attack_ms = 10\nlookahead_ms = 5\n", nil},
		{"ratio 1", compressor + "ratio = 1\n", []string{"stage 1 (compressor): with ratio 1 it does nothing"}},
		{"range 0", expander + "range_db = 0\n", []string{"stage 1 (expander): with range 0 dB it does nothing"}},
		{"threshold in speech", strings.Replace(expander, "-48", "-19", 1), []string{"stage 1 (expander): a threshold at -19 dBFS is at the level of speech"}},
		{"much boost", strings.Replace(equaliser, "-2", "9.5", 1), []string{"stage 1 (equaliser): band 1 is raised by 9.5 dB"}},
		{"much drive", limiter + "drive_db = 12.5\n", []string{"stage 1 (limiter): +12.5 dB of drive limits every peak above -13.5 dBFS ahead of it"}},
		{"drive at the bound", limiter + "drive_db = 12\n", nil},
		{"high corner", highpass + "corner_hz = 121\n", []string{"stage 1 (highpass): a corner at 121 Hz thins a voice"}},
		{"corner at the bound", highpass + "corner_hz = 120\n", nil},
		{"bell outside the key band", deEsser + "centre_hz = 3000\n", []string{"stage 1 (de-esser): it lowers 3000 Hz but its detector uses 4000 to 9000 Hz"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			c, err := chain.Parse("x.toml", []byte("schema = 1\n"+test.text))
			if err != nil {
				t.Fatal(err)
			}
			got := c.Warnings()
			if len(got) != len(test.want) {
				t.Fatalf("got %v, want %q", got, test.want)
			}
			for i, want := range test.want {
				if !strings.Contains(got[i].Error(), want) {
					t.Errorf("got  %s\nwant %s", got[i].Error(), want)
				}
				if got[i].Hint == "" {
					t.Errorf("%s: does not say what to do", got[i].Error())
				}
			}
		})
	}
}

// A shelf that resonates is warned of with its true gain, not with the one it is set
// to; so are bands that add up.
func TestWarningsOfResonance(t *testing.T) {
	for text, want := range map[string]string{
		"[[stage.band]]\nshape = \"low-shelf\"\ncentre_hz = 21600\ngain_db = 24\nq = 30\n":                                                   "raises 10822 Hz by 53.0 dB",
		"[[stage.band]]\nshape = \"bell\"\ncentre_hz = 1000\ngain_db = 8\n[[stage.band]]\nshape = \"bell\"\ncentre_hz = 1000\ngain_db = 8\n": "together they raise 1000 Hz by 16.0 dB",
	} {
		c, err := chain.Parse("x.toml", []byte("schema = 1\n[[stage]]\nkind = \"equaliser\"\n"+text))
		if err != nil {
			t.Fatal(err)
		}
		if w := c.Warnings(); len(w) != 1 || !strings.Contains(w[0].Error(), want) {
			t.Errorf("%v, want one warning with %q", w, want)
		}
	}
}
