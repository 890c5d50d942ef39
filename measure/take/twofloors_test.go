package take

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
)

// anyRoom is a room of recorded speech by a random number; one of six is at 48 kHz, and
// shorter. The lengths lie just under powers of two, by which its noise is made.
func anyRoom(t testing.TB, rng *rand.Rand, number int, seconds float64) takes.Room {
	takes.ForgetNoises()
	voice := []string{takes.Readings, "/usr/share/pocketsphinx/test/data/cards/*.wav"}[number%2]
	if number%6 == 5 {
		voice, seconds = takes.SpokenNames, 21.8
	}
	return takes.NewRoom(takes.Spoken(t, voice), anyNoise(rng), 16+24*rng.Float64(), []float64{0.08, 0.15, 0.25}[rng.IntN(3)], seconds, rng.Uint64())
}

func anyNoise(rng *rand.Rand) string { return []string{"white", "pink", "room"}[rng.IntN(3)] }

// pauseSeconds is how much of the pauses of a quarter of a second and more lies in some
// stretches, both in frames.
func pauseSeconds(room takes.Room, stretches [][2]int) (seconds float64) {
	for _, p := range room.Pauses {
		for _, s := range stretches {
			if both := float64(min(p[1], s[1])-max(p[0], s[0])) / float64(room.Rate); both >= 0.25 {
				seconds += both
			}
		}
	}
	return seconds
}

// levelIn is the level of the noise of a room in stretches, 20 Hz to 20 kHz, in dBFS.
func levelIn(room takes.Room, stretches [][2]int) float64 {
	sum, frames := 0.0, 0.0
	for _, s := range stretches {
		if n := float64(s[1] - s[0]); n > 1000 {
			sum, frames = sum+n*dsp.DBToPower(takes.BandLevel(room.Noise[s[0]:s[1]], room.Rate, 20, 20000)), frames+n
		}
	}
	return dsp.PowerToDB(sum / frames)
}

// Noise that is on for 10 to 50 % of the time, some seconds or half a minute together, and
// 4 to 20 dB louder then: of the takes with 3 s of pauses and more in which it is on, four of
// five and more are found to have two floors; of those with 1 s and more, six of ten. Both
// floors are read within 1 dB, since they rest on few seconds of noise, and the share of the
// time within 0.2 where it is on in 1 s of pauses, since nothing is known of the time between
// two pauses.
func TestNoiseThatComesAndGoes(t *testing.T) {
	first, end := 2, 3 // the first room with 3 s of pauses
	if dsptest.IsExhaustive() {
		first, end = 0, 60
	}
	type count struct{ found, all int }
	var long, short count
	for k := first; k < end; k++ {
		rng := rand.New(rand.NewPCG(uint64(k), 551))
		room := anyRoom(t, rng, k, 65.5)
		quiet := takes.BandLevel(room.Noise, room.Rate, 20, 20000)
		raise, period, share := 4+16*rng.Float64(), 8+40*rng.Float64(), 0.1+0.4*rng.Float64()
		on := room.SwitchOn(anyNoise(rng), raise, period, share, period*rng.Float64(), 0.05+rng.Float64(), rng.Uint64())
		in := inspectAt(t, room.Rate, room.Take())
		lower, ok := in.Readings.Get("lower_noise_floor_dbfs")
		f, finding := found(in, "two noise floors")
		if ok != finding {
			t.Errorf("case %d: reading %t, finding %t", k, ok, finding)
		}
		seconds := pauseSeconds(room, on)
		for _, c := range []struct {
			of    *count
			least float64
		}{{&long, 3}, {&short, 1}} {
			if seconds >= c.least {
				if c.of.all++; ok {
					c.of.found++
				}
			}
		}
		if !ok {
			t.Logf("case %d: %.1f dB, on in %.1f s of pauses: not found", k, raise, seconds)
			continue
		}
		onFrames := 0
		for _, s := range on {
			onFrames += s[1] - s[0]
		}
		for _, h := range in.Floors[0].Higher {
			if !slices.ContainsFunc(on, func(s [2]int) bool { return h[0] < int64(s[1]) && h[1] > int64(s[0]) }) {
				t.Errorf("case %d: %s; it is on in frames %d", k, f.What, on)
			}
		}
		higher, got := reading(in, "noise_floor_dbfs"), reading(in, "higher_noise_share")
		is, isShare := levelIn(room, on), float64(onFrames)/float64(len(room.Noise))
		t.Logf("case %d: %.1f dB, %.1f s: floors %.2f and %.2f dBFS, are %.2f and %.2f; share %.2f, is %.2f; %.1f s of pauses", k, raise, seconds, lower.Value, higher.Value, quiet, is, got.Value, isShare, reading(in, "pauses_ms").Value/1000)
		if math.Abs(lower.Value-quiet) > 1 || math.Abs(higher.Value-is) > 1 || seconds >= 1 && math.Abs(got.Value-isShare) > 0.2 {
			t.Errorf("case %d: floors %.2f and %.2f dBFS, are %.2f and %.2f; share %.2f, is %.2f", k, lower.Value, higher.Value, quiet, is, got.Value, isShare)
		}
	}
	t.Logf("with 3 s of pauses: %+v; with 1 s: %+v", long, short)
	if long.all == 0 || 5*long.found < 4*long.all || dsptest.IsExhaustive() && 10*short.found < 6*short.all {
		t.Errorf("found with 3 s of pauses: %+v; with 1 s: %+v", long, short)
	}
}

// Takes with one floor, whatever happens in them, are not found to have two.
func TestOneFloorIsNotTwo(t *testing.T) {
	kinds := []string{"steady", "drift", "slope", "breaths", "breaths alike", "few pauses", "echo", "a car", "cars", "much", "expanded", "two voices"}
	cases := 3
	if dsptest.IsExhaustive() {
		cases = 108
	}
	for k := range cases {
		kind := kinds[k*7%len(kinds)]
		rng := rand.New(rand.NewPCG(uint64(k), 553))
		room := anyRoom(t, rng, k, 32.7)
		if kind == "few pauses" {
			room = takes.NewRoom(takes.Spoken(t, takes.Readings), anyNoise(rng), 16+24*rng.Float64(), 0.02+0.03*rng.Float64(), 65.5, rng.Uint64())
		}
		n, rate := len(room.Noise), room.Rate
		seconds := func(i int) float64 { return float64(i) / float64(rate) }
		noise := takes.BandLevel(room.Noise, rate, 80, 20000)
		add := []func(x []float64){}
		put := func(kind string, overDB float64, at int) {
			seed := rng.Uint64()
			add = append(add, func(x []float64) { takes.Add(x, takes.Disturbance(kind, rate, noise+overDB, seed), at) })
		}
		over := 8 + 12*rng.Float64()
		switch kind {
		case "drift":
			most, period := 1+rng.Float64(), 8+30*rng.Float64()
			for i := range room.Noise {
				room.Noise[i] *= dsp.DBToAmplitude(most * math.Sin(2*math.Pi*seconds(i)/period))
			}
		case "slope":
			most := 1 + 2*rng.Float64()
			for i := range room.Noise {
				room.Noise[i] *= dsp.DBToAmplitude(most * float64(i) / float64(n))
			}
		case "breaths", "breaths alike":
			for _, p := range room.Pauses {
				if kind == "breaths" {
					over = 8 + 12*rng.Float64()
				}
				breath := takes.Disturbance("breath", rate, noise+over, rng.Uint64())
				breath = takes.Faster(breath, float64(len(breath))/float64(p[1]-p[0]))
				add = append(add, func(x []float64) { takes.Add(x, breath, p[0]) })
			}
		case "echo":
			dry, length := slices.Clone(room.Speech), (0.3+3*rng.Float64())*float64(rate)
			for range 300 {
				at := rng.Float64() * length
				gain := 0.17 * rng.NormFloat64() * math.Pow(10, -3*at/length)
				for i := int(at); i < n; i++ {
					room.Speech[i] += gain * dry[i-int(at)]
				}
			}
		case "a car":
			put("car", over, rng.IntN(n))
		case "cars":
			for range 2 + rng.IntN(2) {
				put("car", over+2*rng.Float64(), rng.IntN(n))
			}
		case "much":
			for range 6 {
				put([]string{"cough", "door", "creak", "breath", "laughter", "click"}[rng.IntN(6)], 8+20*rng.Float64(), room.Pauses[rng.IntN(len(room.Pauses))][0])
			}
		case "two voices":
			for i := n / 2; i < n; i++ {
				room.Speech[i] *= dsp.DBToAmplitude(-12)
			}
		}
		x := room.Take()
		for _, a := range add {
			a(x)
		}
		if kind == "expanded" {
			s := dsp.ExpanderSettings{
				ThresholdDBFS: noise + 8, Ratio: 2 + 2*rng.Float64(), RangeDB: 6 + 10*rng.Float64(), HysteresisDB: 3, AttackMs: 1, HoldMs: 60 + 100*rng.Float64(),
				ReleaseMs: 60 + 200*rng.Float64(), LookaheadMs: 5, Detector: dsp.Peak, DetectorWindowMs: 10, SidechainHighPassHz: 80, LinkChannels: true,
			}
			e, err := dsp.NewExpander(s, rate, 1)
			if err != nil {
				t.Fatal(err)
			}
			e.Process(dsp.Block{x})
		}
		in := inspectAt(t, rate, x)
		for _, text := range []string{"two noise floors", "of steady level"} {
			if f, ok := found(in, text); ok {
				t.Errorf("case %d, %s: %s", k, kind, f.What)
			}
		}
	}
}

// Noise that steps up for a part of each period, faster than two floors are found, is stated
// in words with about its step: every 0.3 s, and in bursts; beside speech, if it lasts for
// three tenths of the time, as speech hides the rest. A frame at a burst's end counts as a
// whole one: 50 ms of a period.
func TestNoiseThatStepsFast(t *testing.T) {
	for k, c := range dsptest.Some(3, []struct{ period, share, raise float64 }{{0.6, 0.5, 14}, {6, 0.2, 14}, {1, 0.5, 8}, {2, 0.3, 20}, {5, 0.1, 10}}) {
		for _, speech := range []bool{false, true} {
			room := takes.NewRoom(takes.Spoken(t, takes.Readings), "white", 35, 0.4, 40, uint64(k))
			if speech && c.share < 0.3 {
				continue
			}
			if !speech {
				clear(room.Speech)
			}
			for n := range room.Noise {
				if math.Mod(float64(n)/float64(room.Rate), c.period) < c.share*c.period {
					room.Noise[n] *= dsp.DBToAmplitude(c.raise)
				}
			}
			in := inspectAt(t, room.Rate, room.Take())
			f, ok := found(in, "of steady level")
			var over, share float64
			fmt.Sscanf(f.What, "a sound of steady level is about %f dB over the noise floor for %f %%", &over, &share)
			_, two := found(in, "two noise floors")
			if !two && (!ok || math.Abs(over-c.raise) > 1 || share/100 > c.share+0.05/c.period+0.005) {
				t.Errorf("%+v, speech %t: %q", c, speech, f.What)
			}
		}
	}
}
