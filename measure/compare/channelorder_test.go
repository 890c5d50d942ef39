package compare

import (
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// channelsOfSpeech are different recorded speech each, alike in part where mixed.
func channelsOfSpeech(t *testing.T, channels int, mixed bool) dsp.Block {
	take, _ := testsound.ReadTake(t, "harbour-street.wav")
	const frames = 4 * 48000
	b := dsp.NewBlock(channels, frames)
	for c := range b {
		for n := range b[c] {
			b[c][n] = take[0][c*50000+n]
			if mixed {
				b[c][n] += 0.5 * take[0][400000+n]
			}
		}
	}
	return b
}

// Channels in any other order are named, each with the one that it holds, whatever delay,
// gain and polarity B has besides; nothing else has a value. In their own order, processed
// and late, they are not.
func TestChannelsInAnotherOrderAreNamed(t *testing.T) {
	rng := rand.New(rand.NewPCG(91, 92))
	for _, channels := range dsptest.Some(2, []int{2, 8, 2, 3, 4}) {
		for _, mixed := range []bool{false, true} {
			if channels == 8 && mixed && !dsptest.IsExhaustive() {
				continue
			}
			a := channelsOfSpeech(t, channels, mixed)
			order := rng.Perm(channels)
			for c, of := range order {
				if c == of { // none may stay in its place
					order[c], order[(c+1)%channels] = order[(c+1)%channels], order[c]
				}
			}
			b, delay, gain := make(dsp.Block, channels), rng.IntN(1000), 0.3-rng.Float64()
			for c, of := range order {
				b[c] = append(make([]float64, delay), testsound.Times(a[of], gain)...)
			}
			c, r := compare(t, a, b)
			all := c.Differences()
			want := 0
			for channel, of := range order {
				if channel != of {
					if want >= len(all) || all[want].Kind != ChannelOrder || all[want].Channel != channel || all[want].Value != float64(of+1) {
						t.Fatalf("%v, mixed %v: %s", order, mixed, c.Summary())
					}
					want++
				}
			}
			if residual, _ := r.Get("residual_dbfs"); residual.Measurable() || len(all) != want {
				t.Errorf("%v: the residual is %v; %s", order, residual, c.Summary())
			}
			own := testsound.CopyOf(a)
			dsp.NewCascade([]dsp.Biquad{dsp.CookbookBell(1000, 6, 1, 48000)}, channels).Process(own)
			own[0] = append(make([]float64, 30), own[0][:len(own[0])-30]...)
			if c, _ := compare(t, a, own); !c.Same || strings.Contains(kindsOf(c.Differences()), string(OtherSound)) {
				t.Errorf("in its own order: %s", c.Summary())
			}
		}
	}
}
