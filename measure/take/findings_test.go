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
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// A length that is too short is that of the sound.
func TestShortTakesStateTheirLength(t *testing.T) {
	for _, rate := range []int{8000, 44100, 96000} {
		for _, frames := range []int{10, rate / 7, rate * 324 / 1000} {
			in := inspectAt(t, rate, testsound.SpeechTake(-60, 1)[:frames])
			var seconds, needed float64
			r := reading(in, "noise_floor_dbfs")
			if n, _ := fmt.Sscanf(r.Reason, "too short: %g s < %g s", &seconds, &needed); n != 2 || math.Abs(seconds-float64(frames)/float64(rate)) > 1e-6 || seconds >= needed {
				t.Errorf("%d frames at %d Hz: %q", frames, rate, r.Reason)
			}
		}
	}
}

// A channel that is silent is called that, whatever the other one holds; silence is a
// fault, and what cannot be judged has no events.
func TestSilenceIsReportedAsSilence(t *testing.T) {
	x := testsound.SpeechTake(-60, 2)
	in := inspectAt(t, 48000, x, make([]float64, len(x)))
	if got := reading(in, "noise_floor_dbfs_ch2"); got.Reason != "the channel is silent" {
		t.Errorf("silent channel: %q", got.Reason)
	}
	if in := inspectAt(t, 48000, make([]float64, 48000)); in.Findings[0].Severity != measure.Fault {
		t.Errorf("silence: %+v", in.Findings)
	}
	clipped := make([]float64, len(x))
	for n, v := range x {
		clipped[n] = max(-0.5, min(0.5, 40*v))
	}
	if in := inspectAt(t, 48000, clipped); in.EventCount == 0 {
		t.Fatal("no event: nothing is tested")
	}
	clipped[len(x)-1] = math.NaN()
	if in := inspectAt(t, 48000, clipped); in.EventCount != 0 || len(in.Events) != 0 {
		t.Errorf("with a NaN: %d events", in.EventCount)
	}
}

// Soft sound rounded to 8 bits rests at zero: that is no dropout. 5 ms that are missing
// in loud sound are one.
func TestFewBitsAreNoDropouts(t *testing.T) {
	rested := 0
	for _, seed := range dsptest.Some(3, []uint64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12}) {
		rng := rand.New(rand.NewPCG(seed, 8))
		rate, hz := []int{8000, 16000, 48000}[seed%3], 100+300*rng.Float64()
		// Sounds that end with a step of one or two bits, rest, and begin by as much.
		var x []float64
		for len(x) < 4*rate {
			for range rate / 50 {
				x = append(x, math.Round(12*rng.NormFloat64())/128)
			}
			x = append(x, float64(1+rng.IntN(2))/128)
			x = append(x, make([]float64, max(12, rate/1000)+rng.IntN(rate/20))...)
			x = append(x, float64(1+rng.IntN(2))/128, 0, -1.0/128)
		}
		x = x[:4*rate]
		for n := 12; n < len(x); n++ {
			rest := x[n] != 0
			for _, v := range x[n-12 : n] {
				rest = rest && v == 0
			}
			if rest {
				rested++
			}
		}
		in := inspectAt(t, rate, x)
		if got := reading(in, "dropouts"); got.Value != 0 {
			t.Errorf("seed %d, %d Hz: %v", seed, rate, got)
		}
		for n := range x {
			at := float64(n) / float64(rate)
			x[n] = math.Round(90*math.Sin(2*math.Pi*hz*at)+20*math.Sin(2*math.Pi*5.7*hz*at)) / 128
		}
		if rate == 48000 {
			continue // there a step of 8 bits is as large as what sound moves by in a frame
		}
		at := 2 * rate
		for math.Abs(x[at]) < 0.3 {
			at++
		}
		clear(x[at : at+rate/200])
		if got := reading(inspectAt(t, rate, x), "dropouts"); got.Value != 1 {
			t.Errorf("seed %d, %d Hz: 5 ms are missing, %v", seed, rate, got)
		}
	}
	if rested == 0 {
		t.Error("nothing rests: nothing is tested")
	}
}

// Speech that is rounded to few bits has peaks of some equal samples, and is not clipped;
// speech that was clipped is, in few bits as well.
func TestFewBitsAreNoFlatTops(t *testing.T) {
	for _, seed := range dsptest.Some(1, []uint64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12}) {
		rng := rand.New(rand.NewPCG(seed, 9))
		p := takes.Spoken(t, []string{takes.Readings, takes.SpokenNames}[seed%2])
		room := takes.NewRoom(p, "pink", 20+15*rng.Float64(), 0.2, 15, seed)
		x, bits := room.Take(), 8+float64(rng.IntN(7))
		most := 0.0
		for _, v := range x {
			most = max(most, math.Abs(v))
		}
		for _, clip := range []float64{1, 0.4} { // of the largest; nothing, or 8 dB
			y := make([]float64, len(x))
			for n, v := range x {
				v = max(-clip*most, min(clip*most, v))
				y[n] = math.Round(v*math.Exp2(bits-1)) / math.Exp2(bits-1)
			}
			if got := reading(inspectAt(t, room.Rate, y), "flat_tops").Value; got > 0 != (clip < 1) {
				t.Errorf("seed %d, %g bits, clipped at %g of its peak: %g flat tops", seed, bits, clip, got)
			}
		}
	}
}

// Speech that lies under what is usable never reads as if it did not, and where the
// noise is hum the advice is about the hum.
func TestAdviceOnNoise(t *testing.T) {
	for _, snr := range []float64{39.99, 39.96, 39.6, 39.5, 39.4, 12} {
		if text := under(snr, usableSpeechDB); text == "40" || text == "40.0" {
			t.Errorf("%g: %q", snr, text)
		}
	}
	room := takes.NewRoom(takes.Spoken(t, takes.Readings), "white", 48, 0.25, 15, 2)
	for _, hum := range []bool{true, false} {
		x := room.Take()
		for n := range x {
			v := math.Sqrt2 * math.Pow(10, -52.0/20) * math.Sin(2*math.Pi*50*float64(n)/float64(room.Rate))
			if hum {
				x[n] += v
			}
		}
		if !hum {
			takes.Add(x, takes.RoomNoise("white", len(x), room.Rate, -52, 4), 0)
		}
		f, ok := found(inspectAt(t, room.Rate, x), "speech is only")
		if !ok || strings.Contains(f.Do, "hum") != hum {
			t.Errorf("hum %t: %t, %q", hum, ok, f.Do)
		}
	}
}
