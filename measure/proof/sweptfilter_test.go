package proof

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// A sweep shows bands that ring for long, and delays, correctly: the
// response is the declared one, and centre, gain and Q are read back as they were set.
func TestNarrowBandsPass(t *testing.T) {
	texts := []string{
		`kind = "equaliser"; [[stage.band]]; shape = "notch"; centre_hz = 50; q = 30`,
		`kind = "equaliser"; [[stage.band]]; shape = "bell"; centre_hz = 50; gain_db = -18; q = 20`,
		`kind = "equaliser"; design = "cookbook"; [[stage.band]]; shape = "bell"; centre_hz = 60; gain_db = 18; q = 25`,
	}
	rates := []int{8000}
	if dsptest.IsExhaustive() {
		rates = append(rates, 48000)
		rng := rand.New(rand.NewPCG(3, 12))
		for range 30 {
			shape := []string{`"notch"`, `"bell"; gain_db = ` + fmt.Sprintf("%.1f", 48*rng.Float64()-24)}[rng.IntN(2)]
			texts = append(texts, fmt.Sprintf(`kind = "equaliser"; [[stage.band]]; shape = %s; centre_hz = %.1f; q = %.1f`, shape, 20+180*rng.Float64(), 5+25*rng.Float64()))
		}
	}
	for _, text := range texts {
		s := stage(t, text)
		for _, rate := range rates {
			experiments, err := experimentsOf(s, rate)
			if err != nil {
				t.Fatal(err)
			}
			for i := range experiments {
				experiments[i].Model = nil // nothing is moved
			}
			if failed := failuresOf(t, experiments, alone(s), rate); failed != " " {
				t.Errorf("%d Hz, %s: failed:%s, want none", rate, text, failed)
			}
		}
	}
}

// A band that is a little narrower, or a little off, still fails.
func TestNarrowBandsThatDeviateFail(t *testing.T) {
	declared := stage(t, `kind = "equaliser"; [[stage.band]]; shape = "notch"; centre_hz = 50; q = 30`)
	for _, built := range []string{"centre_hz = 50; q = 29.9", "centre_hz = 50.001; q = 30"} {
		experiments, err := experimentsOf(declared, 8000)
		if err != nil {
			t.Fatal(err)
		}
		s := stage(t, `kind = "equaliser"; [[stage.band]]; shape = "notch"; `+built)
		if failed := failuresOf(t, experiments, alone(s), 8000, "response_deviation_db"); failed != " response_deviation_db " {
			t.Errorf("%s: failed:%s, want response_deviation_db", built, failed)
		}
	}
}

// A delay is taken out of a response, however long it is, and no part of the sweep's end
// is lost.
func TestDelayedResponsesPass(t *testing.T) {
	for _, ms := range []float64{3.76, 18.42, 1500} {
		c := parse(t, fmt.Sprintf("[[stage]]\nkind = \"highpass\"\n[[stage]]\nkind = \"delay\"\ndelay_ms = %g\n", ms))
		for _, built := range []struct {
			chain *chain.Chain
			fails string
		}{
			{c, " "},
			{&chain.Chain{Stages: slices.Concat(c.Stages, parse(t, "[[stage]]\nkind = \"gain\"\ngain_db = 0.03\n").Stages)}, " response_deviation_db "},
		} {
			experiments, err := whole(c, 8000)
			if err != nil {
				t.Fatal(err)
			}
			if failed := failuresOf(t, experiments, built.chain, 8000, "response_deviation_db"); failed != built.fails {
				t.Errorf("%g ms: failed:%s, want%s", ms, failed, built.fails)
			}
		}
	}
}
