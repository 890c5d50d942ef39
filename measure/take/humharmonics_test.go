package take

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
)

// plusMinus is the number behind the ± of a bound.
func plusMinus(bound string) (v float64) {
	_, after, _ := strings.Cut(bound, "±")
	fmt.Sscan(after, &v)
	return v
}

// Hum of any of the first ten harmonics of 49.5 to 50.5 and 59.5 to 60.5 Hz, each at a level
// of its own, in noise of three kinds, behind speech and without: its level is right within
// the ± that is stated, or at most what is stated; so is its frequency.
func TestHumOfAnyHarmonics(t *testing.T) {
	count, off := 6, 0
	if dsptest.IsExhaustive() {
		count = 60
	}
	var stated []float64
	for i := range count {
		takes.ForgetNoises()
		rng := rand.New(rand.NewPCG(uint64(i), 73))
		room := takes.NewRoom(takes.Spoken(t, []string{takes.Readings, takes.SpokenNames}[i/2%2]), "white", 25+20*rng.Float64(), 0.15+0.2*rng.Float64(), 15, uint64(i))
		level := takes.BandLevel(room.Noise, room.Rate, 20, 20000)
		if slope := rng.IntN(3); slope > 0 {
			room.Noise = takes.Coloured(len(room.Noise), room.Rate, float64(slope), rng)
			gain := dsp.DBToAmplitude(level - takes.BandLevel(room.Noise, room.Rate, 20, 20000))
			for n := range room.Noise {
				room.Noise[n] *= gain
			}
		}
		if rng.IntN(4) == 0 {
			clear(room.Speech)
		}
		mains := []float64{50, 60}[rng.IntN(2)] + rng.Float64() - 0.5
		x := room.Take()
		power := 0.0
		var harmonics []string
		for _, k := range rng.Perm(10)[:1+rng.IntN(6)] {
			hz, db := mains*float64(k+1), level+5-35*rng.Float64()
			harmonics = append(harmonics, fmt.Sprintf("%d: %.0f", k+1, db))
			power += dsp.DBToPower(db)
			phase := 2 * math.Pi * rng.Float64()
			for n := range x {
				x[n] += math.Sqrt2 * dsp.DBToAmplitude(db) * math.Sin(phase+2*math.Pi*hz*float64(n)/float64(room.Rate))
			}
		}
		slices.Sort(harmonics)
		in := inspectAt(t, room.Rate, x)
		got, hz := reading(in, "hum_level_dbfs"), reading(in, "hum_hz")
		is := dsp.PowerToDB(power)
		about := fmt.Sprintf("%d: hum of %.2f Hz at %.2f dBFS of %v in noise of %.1f", i, mains, is, harmonics, level)
		switch {
		case got.Measurable():
			stated = append(stated, plusMinus(got.Bound))
			if math.Abs(got.Value-is) > plusMinus(got.Bound) {
				off++
				t.Logf("%s: %.2f dBFS, %s", about, got.Value, got.Bound)
			}
			if hz.Measurable() && math.Abs(hz.Value-mains) > plusMinus(hz.Bound) {
				off++
				t.Logf("%s: %.2f Hz, %s", about, hz.Value, hz.Bound)
			}
		case got.AtMost == nil:
			t.Errorf("%s: no bound: %q", about, got.Reason)
		case *got.AtMost < is:
			off++
			t.Logf("%s: %q", about, got.Reason)
		}
	}
	// Two deviations hold 95 %. Hum is found in most of them, since it is up to 5 dB over the
	// noise in each line; what is stated is of use.
	slices.Sort(stated)
	t.Logf("%d of %d found within ±%.2f dB in the median; off: %d", len(stated), count, stated[len(stated)/2], off)
	if off*20 > count || len(stated) < count/2 || stated[len(stated)/2] > 1 {
		t.Error("too many are off, or too few are found, or the ± is no statement")
	}
}

// Hum without a fundamental, as rectifiers and dimmers make it, reads the level that was
// planted within 0.1 dB in noise 13 dB and more below it, and its cause follows the harmonics
// that are there. One line alone above the second harmonic may be any tone: what hum has at
// most includes it. So may all lines of a series belong to 50 as to 60 Hz.
func TestHumWithoutFundamental(t *testing.T) {
	const rate = 48000
	for _, c := range dsptest.Some(4, []struct {
		lines map[float64]float64 // dBFS by Hz
		hz    float64             // 0: undecided
		says  string              // "": none is found
	}{
		{map[float64]float64{100: -45, 200: -48}, 50, ", even harmonics: a rectifier"},
		{map[float64]float64{50: -50, 100: -60}, 50, "the fundamental and even harmonics"},
		{map[float64]float64{150: -50}, 0, ""},
		{map[float64]float64{300: -50, 600: -55}, 0, "belong to both"},
		{map[float64]float64{120: -50, 240: -55}, 60, ", even harmonics: a rectifier"},
		{map[float64]float64{150: -55, 250: -60}, 50, ", odd harmonics"},
		{map[float64]float64{100: -50, 200: -55, 300: -60}, 50, ", even harmonics"},
		{map[float64]float64{50.4: -55, 151.2: -60}, 50.4, "the fundamental and odd harmonics"},
		{map[float64]float64{100: -50}, 50, ", even harmonics"},
		{map[float64]float64{50: -50, 100: -52, 150: -52}, 50, "the fundamental and even and odd harmonics"},
		{map[float64]float64{400: -50}, 0, ""}, // on board of aircraft
	}) {
		rng := rand.New(rand.NewPCG(3, 74))
		x := make([]float64, 12*rate)
		for n := range x {
			x[n] = dsp.DBToAmplitude(-76) * rng.NormFloat64()
		}
		power := 0.0
		for hz, db := range c.lines {
			power += dsp.DBToPower(db)
			for n := range x {
				x[n] += math.Sqrt2 * dsp.DBToAmplitude(db) * math.Sin(2*math.Pi*hz*float64(n)/rate)
			}
		}
		is := dsp.PowerToDB(power)
		in := inspectAt(t, rate, x)
		hz, level := reading(in, "hum_hz"), reading(in, "hum_level_dbfs")
		if hz.Measurable() != (c.hz > 0) || c.hz > 0 && math.Abs(hz.Value-c.hz) > 0.05 {
			t.Errorf("%v: %v", c.lines, hz)
		}
		f, isFound := found(in, "hum of")
		if isFound != (c.says != "") || !strings.Contains(f.What, c.says) {
			t.Errorf("%v: %q, want %q", c.lines, f.What, c.says)
		}
		if c.says == "" {
			if level.AtMost == nil || *level.AtMost < is || *level.AtMost > is+1 {
				t.Errorf("%v: %v, want at most %.2f dBFS and a little more", c.lines, level, is)
			}
		} else if math.Abs(level.Value-is) > 0.1 {
			t.Errorf("%v: %v, planted %.2f", c.lines, level, is)
		}
	}
}
