package proof

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// Whatever the settings of a kind, the sheet has the same readings: those without a claim are
// listed with the reason. The exception are readings of features that the settings leave out.
func TestSheetHasTheSameReadingsForAllSettings(t *testing.T) {
	dsptest.Exhaustive(t)
	notAskedFor := map[string]string{ // by reading, the line of the settings
		"hysteresis_db":  "hysteresis_db = 0\n",
		"high_tone_dbfs": "threshold_dbfs", // of a de-esser that works against the whole sound
	}
	count := 2
	if dsptest.IsExhaustive() {
		count = 30
	}
	for _, kind := range chain.Kinds() {
		if kind.Name == "equaliser" { // what is read back depends on the shapes
			continue
		}
		all, texts, sets := map[string]bool{}, []string{}, []map[string]bool{}
		for seed := range count {
			rng := rand.New(rand.NewPCG(uint64(seed), 77))
			var b strings.Builder
			fmt.Fprintf(&b, "schema = 1\n[[stage]]\nkind = %q\n", kind.Name)
			randomFields(&b, rng, kind.Fields, 22050, 1)
			c, err := chain.Parse("random.toml", []byte(b.String()))
			if err != nil {
				t.Fatal(err)
			}
			experiments, err := experimentsOf(c.Stages[0], 22050)
			if err != nil {
				continue // not valid at this rate
			}
			readings := map[string]bool{}
			for _, x := range experiments {
				for _, claim := range x.Claims {
					readings[strings.TrimSuffix(strings.TrimSuffix(claim.Reading, "_ch1"), "_ch2")] = true
				}
				for _, o := range x.unclaimed {
					readings[o.reading] = true
					if o.reason == "" {
						t.Errorf("nothing is claimed of %s, without a reason\n%s", o.reading, b.String())
					}
				}
			}
			maps.Copy(all, readings)
			texts, sets = append(texts, b.String()), append(sets, readings)
		}
		for i, readings := range sets {
			for _, name := range slices.Sorted(maps.Keys(all)) {
				if asked := notAskedFor[name]; !readings[name] && (asked == "" || !strings.Contains(texts[i], asked)) {
					t.Errorf("%s is neither claimed nor listed\n%s", name, texts[i])
				}
			}
		}
	}
}
