package tune

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
)

// randomTake returns a take with random faults: speech at any level, with noise, an offset,
// clipping, a silent channel, silence before it, or a click.
func randomTake(rng *rand.Rand, mostSeconds float64) (rate int, x dsp.Block, what string) {
	rates := []int{16000, 22050, 24000, 32000, 44100, 48000, 88200, 96000, 192000, 16000 + rng.IntN(176001)}
	rate = rates[rng.IntN(len(rates))]
	channels := 1 + rng.IntN(2)
	seconds := mostSeconds * math.Pow(rng.Float64(), 1.5)
	if rate > 96000 {
		seconds /= 3
	}
	if rng.IntN(4) > 0 {
		seconds += 1
	}
	x = dsptest.Speechlike(rate, channels, int(seconds*float64(rate)), rng.Uint64())
	gain := -50 + 75*rng.Float64()
	what = fmt.Sprintf("%.2f s, %d x %d Hz, %+.0f dB", seconds, channels, rate, gain)
	for c := range x {
		for n := range x[c] {
			x[c][n] *= dsp.DBToAmplitude(gain)
		}
	}
	with := func(oneIn int, name string, do func(c, n int)) {
		if rng.IntN(oneIn) > 0 {
			return
		}
		what += ", " + name
		for c := range x {
			for n := range x[c] {
				do(c, n)
			}
		}
	}
	level := dsp.DBToAmplitude(-80 + 60*rng.Float64())
	with(3, "noise", func(c, n int) { x[c][n] += level * rng.NormFloat64() })
	offset := 0.3 * rng.Float64()
	with(4, "an offset", func(c, n int) { x[c][n] += offset })
	most := 0.05 + 0.95*rng.Float64()
	with(3, "clipped", func(c, n int) { x[c][n] = max(-most, min(most, x[c][n])) })
	with(6, "one side silent", func(c, n int) {
		if c == 1 {
			x[c][n] = 0
		}
	})
	with(6, "silence ahead", func(c, n int) {
		if n < len(x[c])/3 {
			x[c][n] = 0
		}
	})
	with(6, "a click", func(c, n int) {
		if n == len(x[c])/2 {
			x[c][n] = 0.99
		}
	})
	for c := range x { // clips like a recorder
		for n := range x[c] {
			x[c][n] = max(-1, min(1, x[c][n]))
		}
	}
	return rate, x, what
}

// Every delivery meets its target by another meter (libebur128 where it is installed) and its
// ceiling by both readings, in three passes 19 times of 20 and never in more than four.
// Otherwise it is refused with a reason, and nothing is written.
func TestDeliverRandomTakes(t *testing.T) {
	reference := ebur128(t)
	cases, most := 6, 4.0
	if dsptest.IsExhaustive() {
		cases, most = 120, 12
	}
	chains := []string{
		limiterAlone, withCompressor, withoutLimiter,
		"schema = 1\n[[stage]]\nkind = \"limiter\"\nlink_channels = false\n",
		"schema = 1\n[[stage]]\nkind = \"compressor\"\nthreshold_dbfs = -40\nratio = 6\nmakeup_db = 6\n[[stage]]\nkind = \"limiter\"\nrecovery = \"fast\"\nlookahead_ms = 8\n",
	}
	met, refused, inThree := 0, 0, 0
	for i := range cases {
		rng := rand.New(rand.NewPCG(uint64(i), 77))
		rate, x, what := randomTake(rng, most)
		target := TargetLoudness(-36+26*rng.Float64(), -6+5.9*rng.Float64())
		target.Nearest = rng.IntN(4) == 0
		text := chains[rng.IntN(len(chains))]
		out := []chain.Output{{Bits: 16}, {Bits: 24}, {Bits: 32}, {Float: true}}[rng.IntN(4)]
		what = fmt.Sprintf("case %d: %s to %.2f LUFS, %.2f dBTP, %+v through %q", i, what, target.LoudnessLUFS, target.TruePeakDBTP, out, text)
		d, r, err := delivered(t, parsed(t, text), target, written24(t, rate, x), Settings{Output: out})
		var refusal *Refusal
		switch {
		case errors.As(err, &refusal):
			if refusal.Reason == "" {
				t.Errorf("%s: refused without a reason", what)
			}
			refused++
			continue
		case err != nil:
			t.Errorf("%s: %v", what, err)
			continue
		}
		is := value(t, r, "integrated_lufs")
		noted := slices.ContainsFunc(d.Notes, func(n string) bool { return strings.Contains(n, "LUFS") })
		if d.AimLUFS == target.LoudnessLUFS && !noted {
			met++
		} else if !noted {
			t.Errorf("%s: aimed at %.3f LUFS, and nothing says so", what, d.AimLUFS)
		}
		if math.Abs(is-d.AimLUFS) > okLU && !noted || d.Missed == "" && !target.accepts(is) || is != d.LoudnessLUFS {
			t.Errorf("%s: %.3f LUFS after %d renders, aimed at %.3f, notes %q, missed %q", what, is, d.Renders, d.AimLUFS, d.Notes, d.Missed)
		}
		if d.Passes() > 4 {
			t.Errorf("%s: %d passes", what, d.Passes())
		}
		if d.Passes() <= 3 {
			inThree++
		}
		underCeiling(t, r, target.TruePeakDBTP)
		if reference != nil {
			// At 16 kHz the shelf of libebur128 is off by up to 0.07 dB, which noise reveals;
			// see TestDeliverSpeech. Above 96 kHz the two are not compared.
			within := 0.03
			if rate < 32000 {
				within += 0.07
			}
			if off := reference(d.Files[0].Out) - is - ebur128Excess(rate); rate <= 96000 && math.Abs(off) > within {
				t.Errorf("%s: off by %.4f LU by libebur128", what, off)
			}
		}
		if t.Failed() {
			t.Fatal(what)
		}
	}
	t.Logf("%d cases: %d met, %d refused, %d in three passes", cases, met, refused, inThree)
	if inThree < (cases-refused)*95/100 {
		t.Errorf("%d of %d deliveries took three passes at most; want 95 %%", inThree, cases-refused)
	}
	if met < cases/4 {
		t.Errorf("%d of %d met: the cases test little", met, cases)
	}
}

// For any input, the proposal is a chain that runs on it, or a reason.
func TestProposeRandomTakes(t *testing.T) {
	cases, most := 6, 4.0
	if dsptest.IsExhaustive() {
		cases, most = 60, 15
	}
	proposals := 0
	for i := range cases {
		rng := rand.New(rand.NewPCG(uint64(i), 78))
		rate, x, what := randomTake(rng, most)
		what = fmt.Sprintf("case %d: %s", i, what)
		p, err := Propose(t.Context(), []Take{memoryTake("take", rate, x...)}, ProposeSettings{})
		if err != nil {
			var no *NoProposal
			if !errors.As(err, &no) || no.Reason == "" {
				t.Errorf("%s: %v", what, err)
			}
			continue
		}
		proposals++
		c, err := chain.Parse("proposed.toml", p.Text)
		if err != nil {
			t.Fatalf("%s: %v\n%s", what, err, p.Text)
		}
		e, err := c.Prepare(rate, len(x))
		if err != nil {
			t.Errorf("%s: %v\n%s", what, err, p.Text)
			continue
		}
		out, err := e.ProcessPlanes(t.Context(), x)
		if err != nil {
			t.Errorf("%s: %v", what, err)
		}
		for _, plane := range out {
			for n, v := range plane {
				if !(math.Abs(v) <= dsp.DBToAmplitude(-1)) {
					t.Errorf("%s: frame %d is %g", what, n, v)
					break
				}
			}
		}
		for _, d := range p.Takes {
			for _, v := range []float64{d.Lowered, d.CompressorMedianDB, d.CompressorP95DB, d.LimiterP95DB} {
				if v-v != 0 || v < 0 {
					t.Errorf("%s: %+v", what, d)
				}
			}
			if d.EndsCut > d.Phrases || d.StartsCut > d.Phrases || d.Lowered > 1 || !d.Measured {
				t.Errorf("%s: %+v", what, d)
			}
		}
	}
	if proposals < cases/3 {
		t.Errorf("%d of %d: the cases test little", proposals, cases)
	}
}
