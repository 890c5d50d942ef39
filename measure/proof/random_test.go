package proof

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure"
)

// randomChain writes a chain of one to three stages of any kind, every key anywhere
// in its range, but for times and ranges that would take minutes to measure.
func randomChain(rng *rand.Rand, rate, channels int) string {
	var b strings.Builder
	b.WriteString("schema = 1\n")
	kinds := chain.Kinds()
	for range 1 + rng.IntN(3) {
		k := kinds[rng.IntN(len(kinds))]
		fmt.Fprintf(&b, "[[stage]]\nkind = %q\n", k.Name)
		randomFields(&b, rng, k.Fields, rate, channels)
		if k.Bands != nil {
			for range 1 + rng.IntN(3) {
				b.WriteString("[[stage.band]]\n")
				randomFields(&b, rng, k.Bands, rate, channels)
			}
		}
	}
	return b.String()
}

// narrower are ranges in which a proof is possible within seconds, where the field's
// own is wider.
var narrower = map[string][2]float64{
	"attack_ms": {0, 60}, "release_ms": {5, 300}, "hold_ms": {0, 150}, "detector_window_ms": {1, 40}, "delay_ms": {0, 100},
	"threshold_dbfs": {-70, -3}, "ratio": {1, 12}, "knee_db": {0, 20}, "range_db": {0, 30}, "hysteresis_db": {0, 20},
	"ceiling_dbtp": {-20, 0}, "drive_db": {-12, 24}, "q": {0.3, 8}, "gain_db": {-15, 15}, "makeup_db": {-12, 12}, "relative_db": {-30, -1},
	"lookahead_ms": {0, 10},
}

func randomFields(b *strings.Builder, rng *rand.Rand, fields []chain.Field, rate, channels int) {
	words := map[string]string{}
	for _, f := range fields {
		if f.When != nil && !strings.Contains(strings.Join(f.When.Words, " "), words[f.When.Key]) {
			continue
		}
		if f.Instead != "" {
			if words[f.Instead] != "" || f.Default == "" && rng.IntN(2) == 0 {
				continue // the other of the two is given
			}
			words[f.Key] = "given"
		}
		if f.Default != "" && rng.IntN(2) == 0 && f.Unit != "Hz" {
			words[f.Key] = strings.Trim(f.Default, `"`)
			continue
		}
		low, high := f.Min, f.Max
		if r, ok := narrower[f.Key]; ok {
			low, high = max(low, r[0]), min(high, r[1])
		}
		if f.Unit == "Hz" {
			low, high = 20, 0.4*float64(rate)
			switch f.Key {
			case "sidechain_highpass_hz":
				high = 400
			case "key_low_hz":
				low, high = 500, 0.15*float64(rate)
			case "key_high_hz":
				low = 0.2 * float64(rate)
			}
			fmt.Fprintf(b, "%s = %.1f\n", f.Key, low*math.Pow(min(high, 18000)/low, rng.Float64()))
			continue
		}
		if f.Key == "lookahead_ms" && f.Min > 0 { // a limiter's, which needs 16 frames
			low = max(low, 16500/float64(rate))
		}
		switch f.Type {
		case chain.Number:
			fmt.Fprintf(b, "%s = %s\n", f.Key, strconv.FormatFloat(math.Round(100*(low+(high-low)*rng.Float64()))/100, 'f', -1, 64))
		case chain.WholeNumber:
			fmt.Fprintf(b, "%s = %g\n", f.Key, f.Step*math.Round((low+(high-low)*rng.Float64())/f.Step))
		case chain.TrueOrFalse:
			fmt.Fprintf(b, "%s = %v\n", f.Key, rng.IntN(2) == 0)
		case chain.Word:
			words[f.Key] = f.Words[rng.IntN(len(f.Words))]
			fmt.Fprintf(b, "%s = %q\n", f.Key, words[f.Key])
		case chain.ChannelList:
			fmt.Fprintf(b, "%s = [%d]\n", f.Key, 1+rng.IntN(channels))
		}
	}
}

// A valid chain passes its proof, whatever its settings: no claim fails, at most 2 %
// stay undecided, and at most 2 % have to be moved to what the model reads or are left
// out because no signal shows them.
func TestRandomChainsPass(t *testing.T) {
	count := 3
	if dsptest.IsExhaustive() {
		count = 300
	}
	rates := []int{8000, 11025, 16000, 22050, 32000, 44100, 48000, 88200, 96000, 192000}
	claims, undecided, unclaimed, moved := 0, 0, 0, 0
	for seed := range count {
		rng := rand.New(rand.NewPCG(uint64(seed), 12))
		rate, channels := rates[rng.IntN(len(rates))], 1+rng.IntN(2)
		if !dsptest.IsExhaustive() {
			rate = min(rate, 22050) // the high ones take their time
		}
		if rate > 48000 && seed%3 != 0 { // these take twice to four times as long
			continue
		}
		text := randomChain(rng, rate, channels)
		c, err := chain.Parse("random.toml", []byte(text))
		if err != nil {
			t.Fatalf("seed %d: %v\n%s", seed, err, text)
		}
		if _, err := c.Prepare(rate, channels); err != nil {
			t.Logf("seed %d at %d Hz is not valid: %v", seed, rate, err)
			continue
		}
		sheet, err := OfChain(context.Background(), c, rate, nil)
		if err != nil {
			t.Errorf("seed %d: %v", seed, err)
			continue
		}
		claims += len(sheet.Lines)
		for _, u := range sheet.Unclaimed {
			if u.Reason == "" {
				t.Errorf("seed %d: %s: nothing is claimed of %s, without a reason", seed, u.Stage, u.Reading)
			}
			if strings.HasPrefix(u.Reason, notShown) { // a claim that no signal shows
				unclaimed++
			}
		}
		for _, l := range sheet.Lines {
			if strings.Contains(l.Why, "; moved to") {
				moved++
			}
			switch l.Verdict {
			case measure.Fail:
				t.Errorf("seed %d, %d Hz, %s: %s\n%s", seed, rate, l.Condition, l.Judgement, text)
			case measure.Undecided:
				undecided++
				t.Logf("seed %d, %d Hz, %s: %s", seed, rate, l.Condition, l.Judgement)
			}
		}
	}
	if (moved+unclaimed)*50 > claims {
		t.Errorf("of %d claims %d are moved to what the model reads, and %d left out; at most 2 %% may be", claims, moved, unclaimed)
	}
	if undecided*50 > claims {
		t.Errorf("%d of %d claims are undecided; at most 2 %% may be", undecided, claims)
	}
	t.Logf("%d claims, %d undecided, %d moved to the model, %d left out", claims, undecided, moved, unclaimed)
}
