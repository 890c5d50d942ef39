package take

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// butted joins clips without a pause, a clip once more each time round.
func butted(p takes.Phrases, seconds float64, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 2))
	var x []float64
	for len(x) < int(seconds*float64(p.Rate)) {
		clip := p.Clips[rng.IntN(len(p.Clips))]
		x = append(x, testsound.Times(clip, math.Pow(10, (-24-takes.ActiveLevel(clip, p.Rate))/20))...)
	}
	return squeeze(x, p.Rate)[:int(seconds*float64(p.Rate))*2/3]
}

// squeeze takes out all zeros that last longer than 50 ms.
func squeeze(x []float64, rate int) []float64 {
	y, run := x[:0:0], 0
	for _, v := range x {
		if v == 0 {
			run++
		} else {
			run = 0
		}
		if run <= rate/20 {
			y = append(y, v)
		}
	}
	return y
}

// Where the quietest sound is no room, the floor is undecided, and the reason says so.
func TestUndecidedFloors(t *testing.T) {
	dsptest.Exhaustive(t)
	p := takes.Spoken(t, takes.Readings)
	seconds := 15.0
	if dsptest.IsExhaustive() {
		seconds = 45
	}
	speech := butted(p, seconds, 1)
	over := func(dbfs float64) []float64 {
		x := slices.Clone(speech)
		takes.Add(x, takes.RoomNoise("pink", len(x), p.Rate, dbfs, 4), 0)
		return x
	}
	babble := make([]float64, len(speech))
	for seed := range uint64(8) {
		takes.Add(babble, testsound.Times(butted(p, seconds, 100+seed), 0.35), 0)
	}
	spoken := takes.NewSpeech(p, 0.2, seconds*2/3, 9).Speech
	sum := func(x, y []float64, db float64) []float64 {
		z := slices.Clone(x)
		takes.Add(z, testsound.Times(y[:min(len(y), len(z))], math.Pow(10, db/20)), 0)
		return z
	}
	music := takes.Music(len(speech), p.Rate, 3)
	for name, x := range map[string][]float64{
		"speech without pauses over noise of -59": over(-59),
		"babble": babble, "speech over babble": sum(spoken, babble, -15),
		"speech over music, -10 dB": sum(spoken, music, -10), "-20 dB": sum(spoken, music, -20), "-30 dB": sum(spoken, music, -30), "music": music,
	} {
		in := inspectAt(t, p.Rate, x)
		got := reading(in, "noise_floor_dbfs")
		speechLevel := reading(in, "speech_level_dbfs")
		t.Logf("%s: %v; speech %v; %s", name, got, speechLevel, reading(in, "noise_variation"))
		if got.Measurable() && speechLevel.Measurable() || !got.Measurable() && !strings.Contains(got.Reason, "steady noise") && !strings.Contains(got.Reason, "pauses") {
			t.Errorf("%s: floor %v, speech %v", name, got, speechLevel)
		}
	}
	// The closures of stops, 50 ms each, hold louder noise alone: it is found or undecided,
	// and off by 1.5 dB at most, as the decay of the speech is in them too.
	loud := takes.RoomNoise("pink", len(speech), p.Rate, -50, 4)
	want := takes.BandLevel(loud, p.Rate, 20, 20000)
	if got := reading(inspectAt(t, p.Rate, over(-50)), "noise_floor_dbfs"); got.Measurable() && math.Abs(got.Value-want) > 1.5 {
		t.Errorf("speech without pauses over noise of -50: floor %v, the noise alone %.2f", got, want)
	}
	noise := inspectAt(t, p.Rate, takes.RoomNoise("pink", 20*p.Rate, p.Rate, -50, 4))
	if got := reading(noise, "speech_level_dbfs"); got.Measurable() || !reading(noise, "noise_floor_dbfs").Measurable() {
		t.Errorf("noise alone: speech %v", got)
	}
}

// Two voices of -22 and -34 dBFS are two levels, each within 1 dB; one voice is not.
func TestTwoVoices(t *testing.T) {
	dsptest.Exhaustive(t)
	p := takes.Spoken(t, takes.Readings)
	one := takes.NewRoom(p, "pink", 36, 0.2, 60, 3)
	if low := reading(inspectAt(t, p.Rate, one.Take()), "softer_speech_dbfs"); low.Measurable() && low.Unit != "" {
		t.Errorf("one voice: %v", low)
	}
	x := slices.Clone(one.Speech)
	from := 0
	for k, pause := range one.Pauses {
		gain := []float64{2, -10}[k%2]
		for n := from; n < pause[0]; n++ {
			x[n] *= math.Pow(10, gain/20)
		}
		from = pause[1]
	}
	takes.Add(x, one.Noise, 0)
	in := inspectAt(t, p.Rate, x)
	low, high := reading(in, "softer_speech_dbfs"), reading(in, "louder_speech_dbfs")
	if math.Abs(low.Value+34) > 1 || math.Abs(high.Value+22) > 1 {
		t.Errorf("planted -34 and -22 dBFS, found %v and %v", low, high)
	}
	if _, ok := found(in, "speech at two levels"); !ok {
		t.Error("no finding")
	}
}

// Noise that rises at 45 s by 8 or 5 dB is two floors; cars that pass are none.
func TestTwoFloors(t *testing.T) {
	dsptest.Exhaustive(t)
	p := takes.Spoken(t, takes.Readings)
	for name, c := range map[string]struct {
		rise float64
		cars []float64
	}{"8 dB": {8, nil}, "5 dB": {5, nil}, "steady": {0, nil}, "a car": {0, []float64{30}}, "two cars": {0, []float64{30, 60}}} {
		if name != "5 dB" && !dsptest.IsExhaustive() {
			continue
		}
		room := takes.NewRoom(p, "pink", 36, 0.2, 90, 8)
		for n := 45 * p.Rate; n < len(room.Noise); n++ {
			room.Noise[n] *= math.Pow(10, c.rise/20)
		}
		before := takes.BandLevel(room.Noise[:45*p.Rate], p.Rate, 20, 20000)
		after := takes.BandLevel(room.Noise[45*p.Rate:], p.Rate, 20, 20000)
		x := room.Take()
		for _, at := range c.cars {
			takes.Add(x, takes.Disturbance("car", p.Rate, -45, 3), int(at*float64(p.Rate)))
		}
		in := inspectAt(t, p.Rate, x)
		low, ok := in.Readings.Get("lower_noise_floor_dbfs")
		high := reading(in, "noise_floor_dbfs")
		if ok != (c.rise > 0) || math.Abs(high.Value-after) > 1 || ok && math.Abs(low.Value-before) > 1 {
			t.Errorf("%s: %v and %v, planted %.1f and %.1f", name, low, high, before, after)
		}
		if c.rise > 0 {
			if f, ok := found(in, "two noise floors"); !ok || math.Abs(float64(f.Frame)/float64(p.Rate)-45) > 3 { // the longest stretch without a pause
				t.Errorf("%s: %+v", name, f)
			}
		}
	}
}

// Spoken names with half a second of zeros between them: the zeros are edits, no floor
// and no dropouts.
func TestEditsAreNoFloor(t *testing.T) {
	clips, rate := takes.Recorded(t, takes.SpokenNames)
	var x []float64
	for _, c := range clips {
		x = append(append(x, c...), make([]float64, rate/2)...)
	}
	in := inspectAt(t, rate, x)
	if got := reading(in, "dropouts"); got.Value != 0 {
		t.Errorf("%v", got)
	}
	got := reading(in, "noise_floor_dbfs")
	t.Logf("floor: %v", got)
	if got.Measurable() && got.Value < -100 {
		t.Errorf("floor %v", got)
	}
	// Half of a take is taken to zero in places: the floor is that of the rest.
	room := takes.NewRoom(takes.Spoken(t, takes.Readings), "pink", 30, 0.25, 30, 3)
	want := takes.BandLevel(room.Noise, room.Rate, 20, 20000)
	x = room.Take()
	for from := 0; from+room.Rate < len(x); from += 2 * room.Rate {
		clear(x[from : from+room.Rate])
	}
	in = inspectAt(t, room.Rate, x)
	if got := reading(in, "noise_floor_dbfs"); !got.Measurable() || math.Abs(got.Value-want) > 0.5 {
		t.Errorf("half of it zeros: %v, want %.2f", got, want)
	}
	if got := reading(in, "dropouts"); got.Value != 0 {
		t.Errorf("half of it zeros: %v", got)
	}
}

// A take of an offset alone, or of one below what pauses are found in, holds no edits.
func TestOffsetAloneIsNoEdit(t *testing.T) {
	const rate = 48000
	offset, low := make([]float64, 5*rate), make([]float64, 5*rate)
	for n := range offset {
		offset[n] = 0.1
		low[n] = 1e-4 * math.Sin(2*math.Pi*math.Min(1, float64(n)/rate)*float64(n)/rate)
	}
	for name, x := range map[string][]float64{"an offset": offset, "1 Hz": low} {
		got := reading(inspectAt(t, rate, x), "noise_floor_dbfs")
		if got.Measurable() || strings.Contains(got.Reason, "zeros") || !strings.Contains(got.Reason, "offset") {
			t.Errorf("%s: %v", name, got)
		}
	}
}
