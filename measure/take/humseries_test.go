package take

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
	"github.com/boothbench/boothbench/dsp/wave"
)

// addSeries adds harmonics of a frequency to a part of a sound, each at a level in dBFS (rms) 3
// dB under the one before.
func addSeries(x []float64, rate int, hz, dbfs float64, harmonics []float64, from float64) {
	for i, k := range harmonics {
		for n := int(from * float64(len(x))); n < len(x); n++ {
			x[n] += math.Sqrt2 * dsp.DBToAmplitude(dbfs-3*float64(i)) * math.Sin(2*math.Pi*k*hz*float64(n)/float64(rate)+k)
		}
	}
}

// A railway's hum has its frequency, and not that of each third of its lines. (The frequency:
// EN 50163, from memory; its harmonics are mostly odd: common practice, no source.) Lines of 50
// or 60 Hz alone are no railway's. The strongest line is up to 2 dB under the whole pink noise
// of the room: from 7 dB on the noise hides the fundamental and most of the others.
func TestRailwayHumHasItsFrequency(t *testing.T) {
	seeds := 1
	if dsptest.IsExhaustive() {
		seeds = 30
	}
	for seed := range uint64(seeds) {
		takes.ForgetNoises()
		rng := rand.New(rand.NewPCG(seed, 167))
		room := takes.NewRoom(takes.Spoken(t, takes.Readings), "pink", 30, 0.25, 15, seed)
		level := takes.BandLevel(room.Noise, room.Rate, 20, 20000)
		hz := 16.7 + 0.1*(rng.Float64()-0.5)
		x := room.Take()
		addSeries(x, room.Rate, hz, level-2*rng.Float64(), []float64{1, 3, 5, 7, 9, 11, 13, 15}, 0)
		in := inspectAt(t, room.Rate, x)
		if got := reading(in, "hum_hz"); !got.Measurable() || math.Abs(got.Value-hz) > plusMinus(got.Bound) {
			t.Errorf("seed %d, %.2f Hz: %v", seed, hz, got)
		}
		if f, is := found(in, fmt.Sprintf("hum of %.1f Hz", hz)); !is || !strings.Contains(f.What, "railway") {
			t.Errorf("seed %d, %.2f Hz: %v", seed, hz, in.Findings)
		}
		mains := []float64{50, 60}[seed%2]
		y := room.Take()
		addSeries(y, room.Rate, mains, level-5, []float64{1, 2, 3, 5, 7, 9}, 0)
		if f, is := found(inspectAt(t, room.Rate, y), "railway"); is {
			t.Errorf("seed %d, %g Hz: %s", seed, mains, f.What)
		}
	}
}

// Where two series hum, both are named, in 19 of 20 rooms: the weaker one is up to 10 dB under the
// other, and the noise may leave too few of its lines. Where one does, no other is.
func TestTwoSeriesOfHumAreNamed(t *testing.T) {
	seeds := 1
	if dsptest.IsExhaustive() {
		seeds = 30
	}
	missed := 0
	for seed := range uint64(seeds) {
		takes.ForgetNoises()
		rng := rand.New(rand.NewPCG(seed, 5060))
		room := takes.NewRoom(takes.Spoken(t, takes.Readings), "pink", 30, 0.25, 15, seed)
		level := takes.BandLevel(room.Noise, room.Rate, 20, 20000)
		first := []float64{50, 60}[rng.IntN(2)]
		harmonics := []float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10}
		x := room.Take()
		addSeries(x, room.Rate, first, level, harmonics, 0)
		alone := inspectAt(t, room.Rate, x)
		if f, is := found(alone, "as well"); is {
			t.Errorf("seed %d, %g Hz alone: %s", seed, first, f.What)
		}
		addSeries(x, room.Rate, 110-first, level-4-6*rng.Float64(), harmonics, 0)
		in := inspectAt(t, room.Rate, x)
		_, one := found(in, fmt.Sprintf("hum of %.1f Hz at", first))
		if f, other := found(in, fmt.Sprintf("hum of %.1f Hz as well", 110-first)); !one || !other {
			missed++
			t.Logf("seed %d: %v %v", seed, f, in.Findings)
		} else if len(in.Hum) < len(alone.Hum)+3 {
			t.Errorf("seed %d: %d lines, %d of one series", seed, len(in.Hum), len(alone.Hum))
		}
	}
	if 20*missed > seeds {
		t.Errorf("%d of %d pairs not named", missed, seeds)
	}
}

// Hum that begins in the middle of a take is found, at a level below that of its second half.
func TestHumThatBeginsLateIsFound(t *testing.T) {
	room := takes.NewRoom(takes.Spoken(t, takes.Readings), "white", 35, 0.3, 40, 9)
	x := room.Take()
	level := takes.BandLevel(room.Noise, room.Rate, 20, 20000)
	addSeries(x, room.Rate, 50, level-3, []float64{1, 2, 3}, 0.6)
	in := inspectAt(t, room.Rate, x)
	if _, is := found(in, "hum of 50.0 Hz"); !is {
		t.Errorf("%v %v", in.Findings, reading(in, "hum_level_dbfs"))
	}
}

// Dither of 24 bits (TPDF of two steps, AES17) is no offset alone.
func TestDitherAloneIsNamed(t *testing.T) {
	rng := rand.New(rand.NewPCG(24, 24))
	x := make([]float64, 5*48000)
	for n := range x {
		x[n] = math.Round(rng.Float64()-rng.Float64()) / (1 << 23)
	}
	in, err := Inspect(t.Context(), func() (wave.Source, error) {
		return wave.NewMemory(wave.Format{Rate: 48000, Channels: 1, Encoding: wave.Integer, Bits: 24}, dsp.Block{x}), nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if got := reading(in, "noise_floor_dbfs"); got.Measurable() || !strings.Contains(got.Reason, "dither") {
		t.Error(got)
	}
}
