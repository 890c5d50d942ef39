package take

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/measuretest"
	"github.com/boothbench/boothbench/measure/internal/testsound"
	"github.com/boothbench/boothbench/measure/stimulus"
)

func inspect(t testing.TB, b dsp.Block, bits int) *Inspection {
	t.Helper()
	f := wave.Format{Rate: 48000, Channels: len(b), Encoding: wave.Float, Bits: 64}
	if bits > 0 {
		f.Encoding, f.Bits = wave.Integer, bits
	}
	in, err := Inspect(t.Context(), func() (wave.Source, error) { return wave.NewMemory(f, b), nil })
	if err != nil {
		t.Fatal(err)
	}
	return in
}

func found(in *Inspection, text string) (measure.Finding, bool) {
	for _, f := range in.Findings {
		if strings.Contains(f.What, text) {
			return f, true
		}
	}
	return measure.Finding{}, false
}

// White noise has its level, whatever happens besides it.
func TestNoiseFloorOfWhiteNoiseAmongDisturbances(t *testing.T) {
	const rate, level = 48000, -60
	for name, disturb := range map[string]func(x []float64, rng *rand.Rand){
		"nothing": func(x []float64, rng *rand.Rand) {},
		"a cough at full scale": func(x []float64, rng *rand.Rand) {
			for n := 5 * rate; n < 5*rate+rate/3; n++ {
				x[n] += 0.9 * (2*rng.Float64() - 1)
			}
		},
		"a door": func(x []float64, rng *rand.Rand) {
			for n := range rate {
				x[3*rate+n] += 0.5 * math.Exp(-float64(n)/4000) * math.Sin(2*math.Pi*90*float64(n)/rate)
			}
		},
		"breaths in the pauses": func(x []float64, rng *rand.Rand) {
			for from := rate + rate/2; from+rate/4 < len(x); from += 2 * rate {
				for n := range rate / 4 {
					x[from+n] += 0.01 * (2*rng.Float64() - 1) * math.Sin(math.Pi*4*float64(n)/rate)
				}
			}
		},
		"edits to digital silence": func(x []float64, rng *rand.Rand) { clear(x[rate+rate/4 : rate+rate*3/4]) },
	} {
		if !dsptest.IsExhaustive() && name != "a cough at full scale" && name != "breaths in the pauses" {
			continue
		}
		x := testsound.SpeechTake(level, 3)
		disturb(x, rand.New(rand.NewPCG(9, 9)))
		in := inspect(t, dsp.Block{x}, 0)
		// White noise of −60 dBFS over 0 to 24 kHz has −60.796 from 20 Hz to
		// 20 kHz; A-weighted 2.05 dB less, by the BS.468 network 7.30 more.
		for reading, want := range map[string]float64{"noise_floor_dbfs": level - 0.796, "noise_floor_a_dbfs": level - 0.796 - 2.048, "noise_floor_bs468_dbfs": level - 0.796 + 7.301} {
			if got := measuretest.ReadingValue(t, in.Readings, reading); math.Abs(got-want) > 1 {
				t.Errorf("%s: %s %.2f dBFS, want %.2f ± 1", name, reading, got, want)
			}
		}
		if got := measuretest.ReadingValue(t, in.Readings, "speech_to_noise_db"); got < 30 || got > 60 {
			t.Errorf("%s: speech to noise %.1f dB", name, got)
		}
	}
}

func TestTakeWithoutPausesIsReported(t *testing.T) {
	in := inspect(t, stimulus.Programme(48000, 440, stimulus.Part{Seconds: 5, PeaksDBFS: []float64{-10}}), 0)
	if r, _ := in.Readings.Get("speech_level_dbfs"); r.Measurable() {
		t.Errorf("a steady tone has a speech level: %v", r)
	}
	in = inspect(t, stimulus.Programme(48000, 440, stimulus.Part{Seconds: 0.1, PeaksDBFS: []float64{-10}}), 0)
	if r, _ := in.Readings.Get("noise_floor_dbfs"); !strings.Contains(r.Reason, "too short: 0.1 s") {
		t.Errorf("0.1 s: %v", r)
	}
}

// A length that is too short is stated with one that is longer than it.
func TestTooShortStatesALongerLength(t *testing.T) {
	for _, frames := range []int{4800, 12000, 14400, 14500} {
		in := inspect(t, dsp.Block{testsound.SpeechTake(-60, 1)[:frames]}, 0)
		r, _ := in.Readings.Get("noise_floor_dbfs")
		var is, needed float64
		if n, _ := fmt.Sscanf(r.Reason, "too short: %g s < %g s", &is, &needed); n != 2 || is >= needed {
			t.Errorf("%d frames: %v", frames, r)
		}
	}
}

// An offset of -50 dBFS and more is a finding, over -40 dBFS a fault.
func TestOffsetIsAFinding(t *testing.T) {
	for dbfs, want := range map[float64]string{-60: "", -49: "note", -42: "note", -39: "fault"} {
		x := testsound.SpeechTake(-65, 2)[:48000]
		mean := 0.0
		for _, v := range x {
			mean += v / float64(len(x))
		}
		for n := range x {
			x[n] += dsp.DBToAmplitude(dbfs) - mean
		}
		f, is := found(inspect(t, dsp.Block{x}, 0), fmt.Sprintf("a constant offset of %.1f dBFS", dbfs))
		if is != (want != "") || is && f.Severity.String() != want {
			t.Errorf("%g dBFS: %q %v, want %q", dbfs, f.What, f.Severity, want)
		}
	}
}

// Two unrelated voices are no fault of polarity, whichever way their correlation lies;
// channels that cancel are one. A voice on two channels has one level by all readings.
func TestUnrelatedChannelsAreNoFault(t *testing.T) {
	x := testsound.SpeechTake(-65, 2)[:4*48000]
	other := dsptest.Speechlike(48000, 1, len(x), 12)[0]
	for name, channels := range map[string]dsp.Block{"unrelated": {x, other}, "unrelated, one inverted": {x, testsound.Times(other, -1)}} {
		if f, is := found(inspect(t, channels, 0), "correlation"); is {
			t.Errorf("%s: %s", name, f.What)
		}
	}
	opposed := testsound.Times(x, -1)
	for n, v := range other {
		opposed[n] += 0.7 * v
	}
	if _, is := found(inspect(t, dsp.Block{x, opposed}, 0), "cancel"); !is {
		if _, is := found(inspect(t, dsp.Block{x, opposed}, 0), "inverted"); !is {
			t.Error("opposed channels: no finding")
		}
	}
	in := inspect(t, dsp.Block{x, x}, 0)
	all := measuretest.ReadingValue(t, in.Readings, "speech_level_dbfs")
	if got := measuretest.ReadingValue(t, in.Readings, "speech_level_dbfs_ch2"); math.Abs(got-all) > 1e-9 {
		t.Errorf("channel 2 speaks at %.3f dBFS, all of them at %.3f", got, all)
	}
}

func TestPlantedFaults(t *testing.T) {
	const rate = 48000
	dc := testsound.SpeechTake(-65, 1)
	for n := range dc {
		dc[n] += 0.01 // −40 dBFS
	}
	in := inspect(t, dsp.Block{dc}, 0)
	if got := measuretest.ReadingValue(t, in.Readings, "dc_dbfs_ch1"); math.Abs(got+40) > 0.1 {
		t.Errorf("DC %.3f dBFS, planted −40", got)
	}

	hum := testsound.SpeechTake(-75, 2)
	for n := range hum {
		hum[n] += math.Sqrt2 * math.Pow(10, -55.0/20) * math.Sin(2*math.Pi*50*float64(n)/rate)
	}
	in = inspect(t, dsp.Block{hum}, 0)
	if got := measuretest.ReadingValue(t, in.Readings, "hum_level_dbfs"); math.Abs(got+55) > 0.5 {
		t.Errorf("hum %.3f dBFS rms, planted −55", got)
	}
	if got := measuretest.ReadingValue(t, in.Readings, "hum_hz"); math.Abs(got-50) > 0.3 {
		t.Errorf("hum of %.2f Hz, planted 50", got)
	}
	// A voice of 110 Hz is no hum.
	in = inspect(t, dsp.Block{testsound.SpeechTake(-65, 4)}, 0)
	if r, _ := in.Readings.Get("hum_hz"); r.Measurable() {
		t.Errorf("hum of %v in a take without", r)
	}

	clipped := testsound.SpeechTake(-65, 5)
	at := []int{30_000, 100_000, 400_000, 700_000}
	for _, n := range at {
		for k := range 5 {
			clipped[n+k] = 1
		}
	}
	in = inspect(t, dsp.Block{clipped}, 0)
	if got := measuretest.ReadingValue(t, in.Readings, "clips"); got != 4 {
		t.Errorf("%g clips, planted 4", got)
	}
	for i, e := range in.Events {
		if e.Kind == "clip" && (i >= 4 || e.Frame != int64(at[i]) || e.Frames != 5) {
			t.Errorf("clip %d: %+v, planted at %d", i, e, at[i])
		}
	}
	if f, ok := found(in, "4 clips"); !ok || f.Severity != measure.Fault || f.Frame != 30_000 {
		t.Errorf("finding %+v", f)
	}

	if !dsptest.IsExhaustive() {
		return // TestInspectChannels has channels, TestInspectFlattened and TestMissingSound the rest
	}
	left := testsound.SpeechTake(-65, 6)
	right := make([]float64, len(left))
	for n := 7; n < len(right); n++ {
		right[n] = 0.8 * left[n-7]
	}
	in = inspect(t, dsp.Block{left, right}, 0)
	if got := measuretest.ReadingValue(t, in.Readings, "channel_delay_frames"); got != 7 {
		t.Errorf("delay %g frames, planted 7", got)
	}
	if got := measuretest.ReadingValue(t, in.Readings, "channel_gain_db"); math.Abs(got-20*math.Log10(0.8)) > 0.01 {
		t.Errorf("gain %.3f dB, planted %.3f", got, 20*math.Log10(0.8))
	}
	for n := range right {
		right[n] = -left[n]
	}
	in = inspect(t, dsp.Block{left, right}, 0)
	if f, ok := found(in, "inverted"); !ok || f.Severity != measure.Fault {
		t.Errorf("inverted channel: %+v", in.Findings)
	}
	in = inspect(t, dsp.Block{left, make([]float64, len(left))}, 0)
	if f, ok := found(in, "silent"); !ok || f.Channel != 1 {
		t.Errorf("dead channel: %+v", in.Findings)
	}
	if r, _ := in.Readings.Get("correlation"); r.Measurable() {
		t.Errorf("correlation with a dead channel: %v", r)
	}
	in = inspect(t, dsp.Block{left, left}, 0)
	if _, ok := found(in, "identical"); !ok {
		t.Errorf("identical channels: %+v", in.Findings)
	}
	in = inspect(t, dsp.Block{left, testsound.SpeechTake(-65, 77)}, 0)
	if r, _ := in.Readings.Get("channel_gain_db"); !r.Measurable() {
		t.Errorf("gain of unlike channels: %v", r)
	}

	dropped := testsound.SpeechTake(-65, 8)
	clear(dropped[200_000:200_480])
	in = inspect(t, dsp.Block{dropped}, 0)
	if got := measuretest.ReadingValue(t, in.Readings, "dropouts"); got != 1 || in.Events[0].Frame != 200_000 || in.Events[0].Frames != 480 || !math.IsInf(in.Events[0].Level, -1) {
		t.Errorf("%g dropouts: %+v", got, in.Events)
	}

	short := testsound.SpeechTake(-65, 9)
	for n := range short { // 16 bits in a file of 24
		short[n] = math.Round(short[n]*32768) / 32768
	}
	in = inspect(t, dsp.Block{short}, 24)
	if got := measuretest.ReadingValue(t, in.Readings, "used_bits_ch1"); got != 16 {
		t.Errorf("%g bits used, planted 16", got)
	}
}

func TestInspectionOfOddSounds(t *testing.T) {
	nan := dsp.NewBlock(1, 1000)
	nan[0][77] = math.NaN()
	square := dsp.NewBlock(1, 48000)
	for n := range square[0] {
		square[0][n] = float64(1 - n/24%2*2)
	}
	for name, b := range map[string]dsp.Block{
		"nothing": dsp.NewBlock(1, 0), "one frame": {{0.5}}, "silence": dsp.NewBlock(2, 48000), "a dead channel": {square[0], make([]float64, 48000)}, "NaN": nan, "square": square,
		"DC": {[]float64{0.3, 0.3, 0.3, 0.3}}, "+20 dBFS": stimulus.Programme(48000, 1000, stimulus.Part{Seconds: 1, PeaksDBFS: []float64{20}}),
	} {
		in := inspect(t, b, 0)
		if len(in.Readings) == 0 {
			t.Errorf("%s: no readings", name)
		}
		for _, r := range in.Readings {
			if r.Measurable() && r.Value-r.Value != 0 {
				t.Errorf("%s: %s is %v", name, r.Name, r.Value)
			}
			for suffix, unit := range map[string]string{"_dbfs": "dBFS", "_db": "dB", "_frames": "frames", "_hz": "Hz"} {
				if strings.HasSuffix(strings.TrimSuffix(r.Name, "_ch1"), suffix) && r.Unit != unit {
					t.Errorf("%s: %s is in %q", name, r.Name, r.Unit)
				}
			}
		}
	}
}

func ExampleInspect() {
	in, err := Inspect(context.Background(), func() (wave.Source, error) { return wave.Open("../../testdata/harbour-street.wav") })
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, name := range []string{"noise_floor_dbfs", "speech_to_noise_db", "hum_hz", "clips"} {
		r, _ := in.Readings.Get(name)
		fmt.Printf("%s: %.0f %s\n", name, r.Value, r.Unit)
	}
	// Output:
	// noise_floor_dbfs: -57 dBFS
	// speech_to_noise_db: 32 dB
	// hum_hz: 50 Hz
	// clips: 0 events
}
