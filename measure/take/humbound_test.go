package take

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
	"github.com/boothbench/boothbench/measure"
)

// hummed is a take with hum of a level in dBFS-rms, of three harmonics or fewer, whose
// frequency wanders by some Hz up and down within three seconds.
func hummed(room takes.Room, dbfs, hz, wander float64, harmonics []float64, rng *rand.Rand) []float64 {
	x := room.Take()
	amplitude := math.Pow(10, dbfs/20) * math.Sqrt(2/float64(len(harmonics)))
	for _, k := range harmonics {
		phase := 2 * math.Pi * rng.Float64()
		for n := range x {
			t := float64(n) / float64(room.Rate)
			phase += 2 * math.Pi * k * (hz + wander*math.Sin(2*math.Pi*t/3)) / float64(room.Rate)
			x[n] += amplitude * math.Sin(phase)
		}
	}
	return x
}

// Of hum that is not found the most that it may be is stated, and limits are held against
// that: no hum lies above it, whatever its harmonics, and of a take without any it lies
// under the noise.
func TestHumThatIsNotFoundIsBounded(t *testing.T) {
	missed := 0
	for i := range dsptest.Some(4, make([]int, 40)) {
		rng := rand.New(rand.NewPCG(uint64(i), 71))
		p := takes.Spoken(t, []string{takes.Readings, takes.SpokenNames}[i/2%2])
		room := takes.NewRoom(p, []string{"white", "pink"}[rng.IntN(2)], 20+15*rng.Float64(), 0.25, 12, uint64(i))
		noise := takes.BandLevel(room.Noise, room.Rate, 20, 20000)
		dbfs := math.Inf(-1)
		x := room.Take()
		if i%4 > 0 {
			dbfs = noise - 5 - 35*rng.Float64()
			harmonics := [][]float64{{1}, {2}, {3}, {2, 4}, {1, 3, 5}}[rng.IntN(5)]
			x = hummed(room, dbfs, []float64{50, 60}[rng.IntN(2)]*(1+0.008*(rng.Float64()-0.5)), 0, harmonics, rng)
		}
		in := inspectAt(t, room.Rate, x)
		got := reading(in, "hum_level_dbfs")
		if got.Measurable() {
			if got.AtMost != nil {
				t.Errorf("%d: %v, and %g at most", i, got, *got.AtMost)
			}
			continue
		}
		if got.AtMost == nil {
			t.Fatalf("%d: no bound: %q", i, got.Reason)
		}
		missed++
		if *got.AtMost < dbfs || *got.AtMost > noise {
			t.Errorf("%d: hum of %.1f dBFS in noise of %.1f: %q", i, dbfs, noise, got.Reason)
		}
		for _, off := range []float64{0.1, -0.1} {
			limit := measure.Judge("take", room.Rate, in.Readings, measure.AtMost("hum_level_dbfs", *got.AtMost+off))
			if want := map[bool]measure.Verdict{true: measure.Pass, false: measure.Undecided}[off > 0]; limit.Verdict != want {
				t.Errorf("%d: a limit %+g dB from the bound: %v", i, off, limit)
			}
		}
		if least := measure.Judge("take", room.Rate, in.Readings, measure.AtLeast("hum_level_dbfs", -150)); least.Verdict != measure.Undecided {
			t.Errorf("%d: %v", i, least)
		}
	}
	if missed == 0 {
		t.Error("all hum was found: nothing is tested")
	}
	t.Logf("%d were not found", missed)
}

// Hum whose frequency wanders says by how much; steady hum says that it does not.
func TestHumStatesHowFarItWanders(t *testing.T) {
	room := takes.NewRoom(takes.Spoken(t, takes.Readings), "white", 45, 0.25, 20, 3)
	rng := rand.New(rand.NewPCG(3, 72))
	for _, c := range []struct{ wander, least, most float64 }{
		{0, 0.05, 0.1}, // half a step of the search, and the noise
		{0.25, 0.1, 0.25},
	} {
		in := inspectAt(t, room.Rate, hummed(room, -50, 50, c.wander, []float64{1, 2, 3}, rng))
		got := reading(in, "hum_hz")
		var hz float64
		if _, after, ok := strings.Cut(got.Bound, "±"); ok {
			fmt.Sscan(after, &hz)
		}
		if !(hz >= c.least && hz <= c.most) || !strings.Contains(reading(in, "hum_level_dbfs").Bound, "±") {
			t.Errorf("wandering by %g Hz: %v, %q; level %q", c.wander, got, got.Bound, reading(in, "hum_level_dbfs").Bound)
		}
	}
}
