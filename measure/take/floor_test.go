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
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/testsound"
	"github.com/boothbench/boothbench/measure/internal/weighting"
)

// inspectAt inspects one channel at a rate in Hz.
func inspectAt(t testing.TB, rate int, planes ...[]float64) *Inspection {
	t.Helper()
	in, err := Inspect(t.Context(), func() (wave.Source, error) {
		return wave.NewMemory(wave.Unquantised(rate, len(planes)), dsp.Block(planes)), nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return in
}

func reading(in *Inspection, name string) measure.Reading {
	r, _ := in.Readings.Get(name)
	return r
}

// knownRooms are takes whose noise is known: three kinds, three shares of pauses, and
// distances of speech and noise from 12 to 40 dB. Recorded readings at 16 kHz have a
// floor of their own: they go to 24 dB.
//
// Without the long tests there is one, a short one.
func knownRooms(t testing.TB) (all []takes.Room, names []string) {
	if !dsptest.IsExhaustive() {
		return []takes.Room{takes.NewRoom(takes.Spoken(t, takes.Readings), "pink", 22, 0.2, 20, 3)}, []string{"pink, 16000 Hz, 22 dB, 20 % pauses"}
	}
	names48, readings := takes.Spoken(t, takes.SpokenNames), takes.Spoken(t, takes.Readings)
	rng := rand.New(rand.NewPCG(31, 1))
	for i := range 24 {
		kind, share := []string{"white", "pink", "room"}[i%3], []float64{0.08, 0.15, 0.25}[i/3%3]
		p, snr := names48, 12+28*rng.Float64()
		if i%2 == 1 {
			p, snr = readings, 12+12*rng.Float64()
		}
		all = append(all, takes.NewRoom(p, kind, snr, share, 30, uint64(i)))
		names = append(names, fmt.Sprintf("%d: %s, %d Hz, %.0f dB, %.0f %% pauses", i, kind, p.Rate, snr, 100*share))
	}
	return all, names
}

// The floor is that of the noise alone, whatever the speech: rms error 0.35 dB, worst
// 1 dB, over 20 Hz to 20 kHz, by one transform of all the noise.
func TestFloorOfKnownRooms(t *testing.T) {
	rooms, names := knownRooms(t)
	sum, weighted := 0.0, map[string]float64{}
	for i, room := range rooms {
		in := inspectAt(t, room.Rate, room.Take())
		want := takes.BandLevel(room.Noise, room.Rate, 20, 20000)
		got := reading(in, "noise_floor_dbfs")
		e := got.Value - want
		t.Logf("%s: %.2f, error %.2f; variation %.2f, %v", names[i], want, e, reading(in, "noise_variation").Value, reading(in, "pauses_ms"))
		if !got.Measurable() || math.Abs(e) > 1 {
			t.Errorf("%s: %v, want %.2f ± 1", names[i], got, want)
		}
		sum += e * e
		for name, weight := range map[string]func(float64) float64{"noise_floor_a_dbfs": weighting.A, "noise_floor_c_dbfs": weighting.C, "noise_floor_bs468_dbfs": weighting.BS468} {
			want := takes.WeightedLevel(room.Noise, room.Rate, 20, 20000, weight)
			if got := reading(in, name); !got.Measurable() || math.Abs(got.Value-want) > 1 {
				t.Errorf("%s: %s is %v, want %.2f ± 1", names[i], name, got, want)
			}
			weighted[name] = max(weighted[name], math.Abs(reading(in, name).Value-want))
		}
	}
	if rms := math.Sqrt(sum / float64(len(rooms))); rms > 0.35 {
		t.Errorf("rms error %.3f dB", rms)
	} else {
		t.Logf("rms error %.3f dB; worst %.2f dB by A, %.2f dB by C, %.2f dB by BS.468", rms, weighted["noise_floor_a_dbfs"], weighted["noise_floor_c_dbfs"], weighted["noise_floor_bs468_dbfs"])
	}
}

// floorReadings are the readings of the noise floor, one for each weighting.
var floorReadings = []string{"noise_floor_dbfs", "noise_floor_a_dbfs", "noise_floor_c_dbfs", "noise_floor_bs468_dbfs"}

// shiftsOf are how far each weighting's floor is from what it was, in dB: NaN where it is
// undecided.
func shiftsOf(alone, in *Inspection) (all []float64) {
	for _, name := range floorReadings {
		shift := math.NaN()
		if got := reading(in, name); got.Measurable() {
			shift = got.Value - reading(alone, name).Value
		}
		all = append(all, shift)
	}
	return all
}

// What happens besides moves the floor by 0.5 dB at most, in every weighting.
func TestDisturbancesMoveTheFloorLittle(t *testing.T) {
	rooms, names := knownRooms(t)
	shifts := make([][]float64, len(floorReadings))
	for i, room := range rooms {
		rng := rand.New(rand.NewPCG(uint64(i), 5))
		rate := room.Rate
		alone := inspectAt(t, rate, room.Take())
		noise := takes.BandLevel(room.Noise, rate, 80, 20000)
		level := func(kind string) float64 {
			if kind == "breath" || kind == "car" {
				return noise + 8 + 12*rng.Float64()
			}
			return noise + 8 + (room.SpeechDBFS+3-noise-8)*rng.Float64()
		}
		in := func(x []float64, kind string, pause int) {
			takes.Add(x, takes.Disturbance(kind, rate, level(kind), rng.Uint64()), room.Pauses[pause%len(room.Pauses)][0])
		}
		happens := map[string]func(x []float64){
			"cough, door and laughter": func(x []float64) { in(x, "cough", 1); in(x, "door", 2); in(x, "laughter", 3) },
			"a breath in every pause": func(x []float64) {
				for _, p := range room.Pauses { // of up to 0.6 s, and of 70 % of the pause
					breath := takes.Disturbance("breath", rate, level("breath"), rng.Uint64())
					takes.Add(x, takes.Faster(breath, float64(len(breath))/(0.7*float64(p[1]-p[0]))), p[0])
				}
			},
		}
		for _, kind := range takes.Disturbances {
			happens[kind] = func(x []float64) { in(x, kind, rng.IntN(len(room.Pauses))) }
		}
		var order []string
		for name := range happens {
			order = append(order, name)
		}
		slices.Sort(order)
		for _, name := range order {
			x := room.Take()
			happens[name](x)
			for k, shift := range shiftsOf(alone, inspectAt(t, rate, x)) {
				if !(math.Abs(shift) <= 0.5) {
					t.Errorf("%s, %s: %s moved by %.2f dB", names[i], name, floorReadings[k], shift)
				}
				shifts[k] = append(shifts[k], math.Abs(shift))
			}
		}
	}
	for k, all := range shifts {
		slices.Sort(all)
		if median := all[len(all)/2]; !(median <= 0.1) {
			t.Errorf("%s: median shift %.2f dB", floorReadings[k], median)
		}
		t.Logf("%s, %d cases: median %.3f, worst %.2f dB", floorReadings[k], len(all), all[len(all)/2], all[len(all)-1])
	}
}

// Room tone alone has its floor, whatever happens in it. A car covers half of it: the floor
// is that of the other half, in which a level that drifts is another by itself.
func TestFloorOfRoomTone(t *testing.T) {
	kinds, rates := []string{"pink"}, []int{16000}
	tones := 1
	if dsptest.IsExhaustive() {
		kinds, rates, tones = []string{"white", "pink", "room"}, []int{16000, 48000}, 4
	}
	worst := make([]float64, len(floorReadings))
	for i := range tones * len(kinds) * len(rates) {
		kind, rate := kinds[i%len(kinds)], rates[i/len(kinds)%len(rates)]
		rng := rand.New(rand.NewPCG(uint64(i), 17))
		dbfs := -75 + 25*rng.Float64()
		tone := takes.RoomNoise(kind, 12*rate, rate, dbfs, uint64(i))
		alone := inspectAt(t, rate, tone)
		if got, want := reading(alone, "noise_floor_dbfs"), takes.BandLevel(tone, rate, 20, 20000); !got.Measurable() || math.Abs(got.Value-want) > 0.5 {
			t.Errorf("%d: %s at %d Hz: %v, want %.2f ± 0.5", i, kind, rate, got, want)
		}
		for _, happens := range append(slices.Clone(takes.Disturbances), "cough, door and laughter") {
			x, undisturbed := slices.Clone(tone), alone
			for k, one := range strings.Split(strings.ReplaceAll(happens, " and ", ", "), ", ") {
				level := dbfs + 8 + 40*rng.Float64()
				if one == "breath" || one == "car" {
					level = dbfs + 8 + 12*rng.Float64()
				}
				at := rate/2 + k*3*rate + rng.IntN(2*rate)
				takes.Add(x, takes.Disturbance(one, rate, level, rng.Uint64()), at)
				if one == "car" { // of 8 s; it rises and falls for a second
					undisturbed = inspectAt(t, rate, slices.Concat(tone[:at+rate], tone[at+7*rate:]))
				}
			}
			for k, shift := range shiftsOf(undisturbed, inspectAt(t, rate, x)) {
				if !(math.Abs(shift) <= 0.5) {
					t.Errorf("%d: %s at %d Hz of %.0f dBFS, %s: %s moved by %.2f dB", i, kind, rate, dbfs, happens, floorReadings[k], shift)
				}
				worst[k] = max(worst[k], math.Abs(shift))
			}
		}
	}
	t.Logf("worst, %v: %.2f dB", floorReadings, worst)
}

// A floor is found under what lies below 20 Hz, and no plosive: 8 Hz and 0.5 Hz at
// −26 dBFS peak, steps of the offset, and noise whose power falls with the square of
// the frequency.
func TestNoiseFloorExcludesSubsonicSound(t *testing.T) {
	dsptest.Exhaustive(t)
	p := takes.Spoken(t, takes.SpokenNames)
	seconds := 8.0
	if dsptest.IsExhaustive() {
		seconds = 30
	}
	for _, snr := range map[bool][]float64{false: {38}, true: {38, 20}}[dsptest.IsExhaustive()] {
		room := takes.NewRoom(p, "white", snr, 0.15, seconds, 5)
		rate := float64(room.Rate)
		for name, add := range map[string]func(n int) float64{
			"8 Hz":                func(n int) float64 { return 0.05 * math.Sin(2*math.Pi*8*float64(n)/rate) },
			"0.5 Hz":              func(n int) float64 { return 0.05 * math.Sin(2*math.Pi*0.5*float64(n)/rate) },
			"steps of the offset": func(n int) float64 { return 0.01 * float64(1-n/room.Rate%2*2) },
			"both sines and an offset": func(n int) float64 {
				return 0.03 + 0.03*math.Sin(2*math.Pi*8*float64(n)/rate) + 0.03*math.Sin(2*math.Pi*0.5*float64(n)/rate)
			},
		} {
			if !dsptest.IsExhaustive() && strings.HasSuffix(name, " Hz") {
				continue // the sum of both is among the others
			}
			x := room.Take()
			for n := range x {
				x[n] += add(n)
			}
			in := inspectAt(t, room.Rate, x)
			for reading, f := range map[string]float64{"noise_floor_dbfs": 0, "noise_floor_a_dbfs": -2.048, "noise_floor_bs468_dbfs": 7.301} {
				want := takes.BandLevel(room.Noise, room.Rate, 20, 20000) + f
				if got, _ := in.Readings.Get(reading); !got.Measurable() || math.Abs(got.Value-want) > 0.5 {
					t.Errorf("%s, %g dB: %s is %v, want %.2f ± 0.5", name, snr, reading, got, want)
				}
			}
			if got := reading(in, "plosives"); got.Value != 0 {
				t.Errorf("%s: %v plosives", name, got)
			}
		}
	}
	// −45 dBFS from 20 Hz on, under speech at −24.
	x := slices.Clone(takes.NewSpeech(p, 0.15, seconds, 5).Speech)
	noise := takes.Coloured(len(x), 48000, 2, rand.New(rand.NewPCG(3, 3)))
	noise = testsound.Times(noise, math.Pow(10, (-45-takes.BandLevel(noise, 48000, 20, 20000))/20))
	takes.Add(x, noise, 0)
	in := inspectAt(t, 48000, x)
	if got := reading(in, "noise_floor_dbfs"); !got.Measurable() || math.Abs(got.Value+45) > 0.5 {
		t.Errorf("1/f²: %v, want -45 ± 0.5", got)
	}
	if got := reading(in, "plosives"); got.Value != 0 {
		t.Errorf("1/f²: %v plosives", got)
	}
	// C-weighting at 20 to 40 Hz, where such noise is: by one transform of all of it.
	want := takes.WeightedLevel(noise, 48000, 20, 20000, func(f float64) float64 { // IEC 61672-1:2013, Annex E
		c := f * f * 12194.217 * 12194.217 / ((f*f + 20.598997*20.598997) * (f*f + 12194.217*12194.217))
		return c * c * math.Pow(10, 0.0062)
	})
	if got := reading(in, "noise_floor_c_dbfs"); math.Abs(got.Value-want) > 0.5 {
		t.Errorf("1/f²: C %v, want %.2f ± 0.5", got, want)
	}
}

// What explain states of the noise floor has the figures that are computed with.
func TestFloorIsExplainedWithItsFigures(t *testing.T) {
	term, _ := measure.Explain("noise_floor_dbfs")
	for _, figure := range []string{fmt.Sprintf(" %d ms ", frameMs), fmt.Sprintf(" %d Hz", PauseHighPassHz), fmt.Sprintf(" %d Hz to", audibleHz)} {
		if !strings.Contains(term.String(), figure) {
			t.Errorf("%q is not in %s", figure, term)
		}
	}
}
