package instrument

import (
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Each instrument gives readings of all families that readingsOf lists, and no others.
func TestListedReadingsAreGiven(t *testing.T) {
	t.Run("light", func(t *testing.T) {
		readingsOfInstruments(t, "kind=impulse", "kind=silence seconds=3", "kind=tone channels=2 seconds=2")
	})
	t.Run("all", func(t *testing.T) {
		dsptest.Exhaustive(t)
		readingsOfInstruments(t, ExampleStimuli()...)
	})
}

func readingsOfInstruments(t *testing.T, descriptions ...string) {
	for _, description := range descriptions {
		signal, err := stimulus.Parse(description)
		if err != nil {
			t.Fatal(err)
		}
		sound, err := signal.Make(48000)
		if err != nil {
			t.Fatal(err)
		}
		for _, i := range For(signal) {
			readings, err := i.Analyse(48000, sound)
			if err != nil {
				t.Fatal(err)
			}
			for _, r := range readings {
				if !measure.IsReadingOf(r.Name, readingsOf(i)...) {
					t.Errorf("%s, %T: %s is not listed", description, i, r.Name)
				}
			}
			for _, family := range readingsOf(i) {
				given := false
				for _, r := range readings {
					given = given || measure.IsReadingOf(r.Name, family)
				}
				if !given {
					t.Errorf("%s, %T: no reading of %s", description, i, family)
				}
			}
		}
	}
	for _, name := range []string{"tone_hz", "corner_hz"} {
		if got := strings.Join(StimuliOf(name), "; "); got != map[string]string{"tone_hz": "kind=tone"}[name] {
			t.Errorf("%s: %s", name, got)
		}
	}
}
