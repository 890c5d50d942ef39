package tune

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/proof"
)

// spokenTake returns recorded speech in a random room, at a random level and rate, on one or
// two channels, with random faults.
func spokenTake(t *testing.T, rng *rand.Rand, seconds float64) (rate int, x dsp.Block, what string) {
	voice, rates := takes.Readings, []int{8000, 11025, 16000, 22050, 24000}
	if rng.IntN(2) == 0 {
		voice, rates = takes.SpokenNames, []int{32000, 44100, 48000, 88200, 96000}
	}
	// At another rate than its own a voice sounds higher or lower, but it is still a voice.
	rate = rates[rng.IntN(len(rates))]
	noise := []string{"white", "pink", "room"}[rng.IntN(3)]
	snr, gain := 12+50*rng.Float64(), -40+45*rng.Float64()
	room := takes.NewRoom(takes.Spoken(t, voice), noise, snr, 0.05+0.25*rng.Float64(), seconds, rng.Uint64())
	mono := room.Take()
	what = fmt.Sprintf("%s, %s noise %.0f dB under it, %+.0f dB, %d Hz", voice, noise, snr, gain, rate)
	if rng.IntN(2) == 0 {
		kind := takes.Disturbances[rng.IntN(len(takes.Disturbances))]
		takes.Add(mono, takes.Disturbance(kind, room.Rate, room.SpeechDBFS-15*rng.Float64(), rng.Uint64()), rng.IntN(len(mono)))
		what += ", " + kind
	}
	offset, hum := 0.0, 0.0
	if rng.IntN(3) == 0 {
		offset, what = 0.05, what+", an offset"
	}
	if rng.IntN(3) == 0 {
		hum, what = math.Pow(10, (room.SpeechDBFS-snr)/20), what+", hum"
	}
	for n := range mono {
		phase := 2 * math.Pi * 50 * float64(n) / float64(rate)
		v := mono[n] + offset + hum*(math.Sin(phase)+0.5*math.Sin(2*phase)+0.5*math.Sin(3*phase))
		mono[n] = max(-1, min(1, v*dsp.DBToAmplitude(gain)))
	}
	x = dsp.Block{mono}
	if rng.IntN(2) == 0 {
		other := make([]float64, len(mono))
		if rng.IntN(3) > 0 {
			for n := range other {
				other[n] = 0.7 * mono[max(0, n-20)]
			}
		}
		x, what = dsp.Block{mono, other}, what+", two channels"
	}
	return rate, x, what
}

// Every chain proposed for speech in a room can process takes, and meets all its claims.
func TestRandomProposalsKeepTheirClaims(t *testing.T) {
	dsptest.Exhaustive(t)
	const cases, seconds = 12, 15
	proposals, expanders := 0, 0
	for i := range cases {
		rng := rand.New(rand.NewPCG(uint64(i), 80))
		rate, x, what := spokenTake(t, rng, seconds)
		p, err := Propose(t.Context(), []Take{memoryTake("take", rate, x...)}, ProposeSettings{})
		if err != nil {
			var no *NoProposal
			if !errors.As(err, &no) {
				t.Errorf("case %d: %s: %v", i, what, err)
			}
			continue
		}
		proposals++
		if _, on := expanderOf(t, p); on {
			expanders++
		}
		c, err := chain.Parse("proposed.toml", p.Text)
		if err != nil {
			t.Fatalf("case %d: %s: %v\n%s", i, what, err, p.Text)
		}
		e, err := c.Prepare(rate, len(x))
		if err != nil {
			t.Fatalf("case %d: %s: %v\n%s", i, what, err, p.Text)
		}
		if _, err := e.ProcessPlanes(t.Context(), x); err != nil {
			t.Errorf("case %d: %s: %v", i, what, err)
		}
		sheet, err := proof.OfChain(t.Context(), c, rate, nil)
		if err != nil {
			t.Fatalf("case %d: %s: %v\n%s", i, what, err, p.Text)
		}
		t.Logf("case %d: %s: %d of %d claims pass", i, what, sheet.Count(measure.Pass), len(sheet.Lines))
		if sheet.Passed() {
			continue
		}
		for _, l := range sheet.Lines {
			if l.Verdict != measure.Pass {
				t.Errorf("case %d: %s: %v\n%s", i, what, l, p.Text)
			}
		}
	}
	if proposals < cases/2 || expanders < cases/3 {
		t.Errorf("%d of %d have a proposal, %d an expander: the cases test little", proposals, cases, expanders)
	}
}
