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
)

// expanderFirst is a chain whose expander closes in soft speech.
const expanderFirst = "schema = 1\n[[stage]]\nkind = \"expander\"\nthreshold_dbfs = -30\nratio = 3\nrange_db = 30\n[[stage]]\nkind = \"limiter\"\n"

// A refusal states the loudest that can be had: no render on a grid of drives is more than 0.1 LU
// louder, and a render with the stated drive agrees within 0.1 LU (as in TestDeliverTooLoud). With
// much drive noise comes over the gate, and the loudness of some takes falls again, by up to 0.8
// LU. What is written instead, on request, is no miss of its own aim: it states why the target
// was not met, and the loudness that it has, within 0.02 LU.
func TestRefusalStatesTheLoudest(t *testing.T) {
	seeds := []uint64{11, 22}
	if dsptest.IsExhaustive() {
		seeds = nil
		for k := range uint64(24) {
			seeds = append(seeds, k)
		}
	}
	falls := 0
	for _, seed := range seeds {
		takes.ForgetNoises()
		rng := rand.New(rand.NewPCG(seed, 9020))
		voice := takes.Spoken(t, []string{takes.SpokenNames, takes.Readings}[seed%2])
		room := takes.NewRoom(voice, []string{"white", "pink", "room"}[rng.IntN(3)], 15+20*rng.Float64(), 0.1+0.25*rng.Float64(), 10+8*rng.Float64(), 9030+seed)
		text := []string{limiterAlone, withCompressor, expanderFirst}[seed%3]
		c, in := parsed(t, text), written24(t, room.Rate, dsp.Block{room.Take()})
		what := fmt.Sprintf("take %d through %q", seed, text)
		target := TargetLoudness(-5, -1)
		_, _, err := delivered(t, c, target, in, Settings{})
		var r *Refusal
		if !errors.As(err, &r) || r.LoudestLUFS == nil || r.NearestLUFS == nil {
			t.Errorf("%s: %v", what, err)
			continue
		}
		loudest, at, last := math.Inf(-1), 0.0, 0.0
		for drive := 4.0; drive <= mostDriveDB; drive += 8 {
			if last = rendered(t, c, in, drive); last > loudest {
				loudest, at = last, drive
			}
		}
		if loudest > last+0.1 {
			falls++
		}
		is := rendered(t, c, in, r.LoudestDriveDB)
		t.Logf("%s: %.2f LUFS stated with %.1f dB of drive, rendered %.2f; on the grid %.2f with %g dB, %.2f with %d dB", what, *r.LoudestLUFS, r.LoudestDriveDB, is, loudest, at, last, mostDriveDB)
		if math.Abs(is-*r.LoudestLUFS) > 0.1 || loudest > *r.LoudestLUFS+0.1 {
			t.Errorf("%s: %.2f LUFS are stated as the loudest; rendered %.2f LUFS; with %g dB of drive %.2f LUFS", what, *r.LoudestLUFS, is, at, loudest)
		}

		target.Nearest = true
		d, readings, err := delivered(t, c, target, in, Settings{Output: chain.Output{Bits: 24}})
		if err != nil {
			t.Errorf("%s: %v", what, err)
			continue
		}
		if is := value(t, readings, "integrated_lufs"); d.Missed != r.Reason || math.Abs(is-d.AimLUFS) > okLU || math.Abs(is-*r.NearestLUFS) > 0.1 {
			t.Errorf("%s: nearest %.3f LUFS, aimed at %.3f, in the refusal %.3f; missed: %q", what, is, d.AimLUFS, *r.NearestLUFS, d.Missed)
		}
	}
	if falls == 0 {
		t.Error("the loudness falls with no take: they test little")
	}
}
