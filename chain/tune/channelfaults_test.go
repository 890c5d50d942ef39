package tune

import (
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
)

// The test makes stereo files of the demo take, in 16 bits with dither. The "second voice" is
// the same voice half a second later, which is uncorrelated with it.
func TestDeliverNamesFaultsOfChannels(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	for _, c := range []struct {
		name string
		of   func(v, other, noise float64) float64 // channel 2
		want string
	}{
		{"the same", func(v, _, _ float64) float64 { return v }, ""},
		{"panned", func(v, _, _ float64) float64 { return 0.2 * v }, ""},
		{"another voice", func(_, other, _ float64) float64 { return other }, ""},
		{"silent", func(_, _, _ float64) float64 { return 0 }, "channel 2 is silent"},
		{"inverted", func(v, _, noise float64) float64 { return -0.8*v + 0.001*noise }, "in mono they cancel"},
		{"a loose cable", func(v, _, noise float64) float64 { return 0.03*v + 1e-4*noise }, "channel 2 is 30."},
	} {
		rate, b := talk(t, -26)
		x := b[0]
		y := make([]float64, len(x))
		for n, v := range x {
			y[n] = c.of(v, x[(n+rate/2)%len(x)], rng.NormFloat64())
		}
		d, _, err := delivered(t, parsed(t, limiterAlone), anything(-23), written24(t, rate, dsp.Block{x, y}), Settings{Output: chain.Output{Bits: 16}})
		if err != nil {
			t.Fatal(err)
		}
		got := strings.Join(d.Files[0].ChannelFaults, "; ")
		if c.want == "" && got != "" || !strings.Contains(got, c.want) {
			t.Errorf("channel 2 %s: %q, want %q", c.name, got, c.want)
		}
	}
}
