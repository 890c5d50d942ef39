package compare

import (
	"math/rand/v2"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

// A placement holds whatever noise, filter, compression or clipping came to the sound, and does
// not with a clock that moves its ends by 5 frames, but for one or two strongly equalised ones in 84.
func TestPlacementHoldsAllOverTheSound(t *testing.T) {
	rng := rand.New(rand.NewPCG(87, 88))
	sounds := voices(t)
	cases, wrong := len(versions), 0
	if dsptest.IsExhaustive() {
		cases *= 12
	}
	for i := range cases {
		v := sounds[rng.IntN(len(sounds))]
		frames := min(len(v.sound), 5*v.rate)
		from := rng.IntN(len(v.sound) - frames + 1)
		v.sound = v.sound[from : from+frames]
		version := versions[i%len(versions)]
		open := func(x []float64) func() (wave.Source, error) {
			return func() (wave.Source, error) { return wave.NewMemory(wave.Unquantised(v.rate, 1), dsp.Block{x}), nil }
		}
		a, b := open(v.sound), open(version.make(v, rng))
		pa, errA := profileOf(a)
		pb, errB := profileOf(b)
		if errA != nil || errB != nil {
			t.Fatal(errA, errB)
		}
		g := aligner{short: a, long: b, shortP: pa, longP: pb, rate: v.rate}
		p, found, err := g.find()
		if err != nil || !found.enough() {
			t.Errorf("case %d, %s with %s: not found, by %.2f (%v)", i, v.name, version.name, found.correlation, err)
			continue
		}
		off := float64(10 * (1 - 2*rng.IntN(2)))
		p.Map, p.pieces = timemap.Map{Delay: p.Delay - off/2, Speed: 1 + off/float64(frames)}, nil
		if held, err := g.holds(p); err != nil || held {
			wrong++
			t.Logf("case %d, %s with %s holds with %g ppm too much (%v)", i, v.name, version.name, 1e6*off/float64(frames), err)
		}
	}
	if 40*wrong > cases {
		t.Errorf("%d of %d wrong ones hold", wrong, cases)
	}
}
