package take

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/measuretest"
	"github.com/boothbench/boothbench/measure/internal/testsound"
)

// Thumps and sharp s-sounds that were planted are found at their times, and nowhere
// else; a recorded voice and a clean generated one have none.
func TestPlosivesAndSibilants(t *testing.T) {
	const rate = 48000
	x := testsound.SpeechTake(-65, 4)
	rng := rand.New(rand.NewPCG(5, 6))
	thump, hiss := 3*rate+rate/5, 7*rate
	for n := range rate / 10 { // 100 ms of 40 Hz, as a plosive leaves it
		x[thump+n] += 0.5 * math.Sin(math.Pi*float64(n)/4800) * math.Sin(2*math.Pi*40*float64(n)/rate)
	}
	band := dsp.Block{make([]float64, rate/5)}
	for n := range band[0] {
		band[0][n] = 2 * rng.Float64()
		band[0][n]--
	}
	dsp.NewCascade(append(dsp.ButterworthHighPass(4, 5500, rate), dsp.ButterworthLowPass(4, 9000, rate)...), 1).Process(band)
	for n, v := range band[0] {
		x[hiss+n] += v
	}
	in := inspect(t, dsp.Block{x}, 0)
	measuretest.WantReading(t, in.Readings, "plosives", 1, 0)
	measuretest.WantReading(t, in.Readings, "sibilants", 1, 0)
	for _, e := range in.Events {
		at := map[string]int{"plosive": thump, "sibilant": hiss}[e.Kind]
		if at != 0 && math.Abs(float64(e.Frame-int64(at))) > rate/20 { // two hops
			t.Errorf("%s at %d, want %d", e.Kind, e.Frame, at)
		}
	}
	if _, ok := found(in, "1 plosive"); !ok {
		t.Errorf("no finding: %+v", in.Findings)
	}
	recorded, _ := testsound.ReadTake(t, "harbour-street.wav")
	for name, b := range map[string]dsp.Block{"recorded": recorded, "generated": {testsound.SpeechTake(-65, 4)}} {
		in := inspect(t, b, 0)
		for _, reading := range []string{"plosives", "sibilants"} {
			if got, _ := in.Readings.Get(reading); got.Value != 0 {
				t.Errorf("%s: %v %s", name, got, reading)
			}
		}
	}
}

// White noise behind a low-pass that is 100 dB down at a seventh above its corner has
// content to about there; noise without has it to half the rate.
func TestHighestContent(t *testing.T) {
	for _, corner := range []float64{8000, 12000, 16000, 24000} {
		b := dsp.Block{testsound.Noise(5*48000, 0.3, 8)}
		if corner < 24000 {
			for range 3 {
				dsp.NewCascade(dsp.ButterworthLowPass(16, corner, 48000), 1).Process(b)
			}
		}
		for n, v := range b[0] {
			b[0][n] = math.Round(v*32768) / 32768
		}
		format := wave.Format{Rate: 48000, Channels: 1, Encoding: wave.Integer, Bits: 16}
		in, err := Inspect(t.Context(), func() (wave.Source, error) { return wave.NewMemory(format, b), nil })
		if err != nil {
			t.Fatal(err)
		}
		got, _ := in.Readings.Get("highest_content_hz")
		if got.Value < corner-100 || got.Value > corner*1.25 {
			t.Errorf("low-passed at %g Hz: %v", corner, got)
		}
		if _, stated := found(in, "nothing above"); stated != (corner < 20000) {
			t.Errorf("low-passed at %g Hz: stated is %t", corner, stated)
		}
	}
}

// The worst is said in a word.
func TestVerdictIsTheWorstFinding(t *testing.T) {
	clipped := testsound.SpeechTake(-65, 1)
	for n := range 20 {
		clipped[50000+n] = 1
	}
	if got := inspect(t, dsp.Block{clipped}, 0).Verdict(); got != "fault" {
		t.Errorf("clipped: %s", got)
	}
	if got := (&Inspection{}).Verdict(); got != "good" {
		t.Errorf("nothing found: %s", got)
	}
}

// Whatever comes in, a reading or a reason comes out, and JSON that any reader takes.
func TestWhateverComesIn(t *testing.T) {
	nan := testsound.Noise(48000, 0.1, 1)
	nan[1000] = math.NaN()
	square := make([]float64, 48000)
	for n := range square {
		square[n] = 1 - 2*float64(n/24%2)
	}
	inputs := map[string]dsp.Block{
		"0 frames": {{}}, "1 frame": {{0.5}}, "silence": {make([]float64, 48000)}, "NaN": {nan}, "full-scale squares": {square},
		"+20 dBFS": {testsound.Noise(48000, 10, 2)}, "1e300": {testsound.Noise(4800, 1e300, 3)}, "a dead channel": {testsound.Noise(48000, 0.1, 4), make([]float64, 48000)},
		"infinity": {{math.Inf(1), 0, math.Inf(-1)}},
	}
	for name, b := range inputs {
		in := inspect(t, b, 0)
		programme, err := measure.Programme(t.Context(), wave.NewMemory(wave.Unquantised(48000, len(b)), b), measure.AsIs)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range []measure.Readings{in.Readings, programme} {
			if _, err := json.Marshal(r); err != nil { // which refuses NaN and infinities
				t.Fatalf("%s: %v", name, err)
			}
			for _, n := range r {
				if n.Measurable() && (n.Value-n.Value != 0) {
					t.Errorf("%s: %s is %g", name, n.Name, n.Value)
				}
			}
		}
	}
}

// What happens to one channel, or to the offset, changes nothing of what is read of
// the noise and the voice: each channel has pauses of its own, and the noisiest counts.
func TestInspectChannels(t *testing.T) {
	demo, _ := testsound.ReadTake(t, "harbour-street.wav")
	voice := demo[0]
	alone := inspect(t, dsp.Block{voice}, 24)
	silent := make([]float64, len(voice))
	offset := make([]float64, len(voice))
	for n, x := range voice {
		offset[n] = x + 0.1
	}
	other := append(slices.Clone(voice[len(voice)/2:]), voice[:len(voice)/2]...)
	for name, b := range map[string]dsp.Block{
		"an offset": {offset}, "a silent channel": {voice, silent}, "inverted": {voice, testsound.Times(voice, -1)},
		"a ms later": {voice, append(make([]float64, 48), voice[:len(voice)-48]...)}, "two who talk in turn": {voice, other},
	} {
		if !dsptest.IsExhaustive() && name != "an offset" && name != "two who talk in turn" {
			continue
		}
		in := inspect(t, b, 24)
		alone := alone
		if r, _ := in.Readings.Get("noise_floor_dbfs"); name == "two who talk in turn" && r.Channel == 1 {
			alone = inspect(t, dsp.Block{other}, 24) // the noisiest channel counts; its first pauses are others
		}
		// Pauses are cut into frames elsewhere, or begin and end in the other half.
		for reading, limit := range map[string]float64{"noise_floor_dbfs": 0.15, "noise_floor_a_dbfs": 0.15, "hum_hz": 0.1, "hum_level_dbfs": 0.5, // other stretches of noise lie under the lines
			"plosives": 0, "highest_content_hz": 0} {
			got, want := measuretest.ReadingValue(t, in.Readings, reading), measuretest.ReadingValue(t, alone.Readings, reading)
			if math.Abs(got-want) > limit {
				t.Errorf("%s: %s is %g, alone %g", name, reading, got, want)
			}
		}
	}
}

// Samples that are equal by their rounding are no flattened peaks, and a little under
// full scale is clipping too.
func TestInspectFlattened(t *testing.T) {
	demo, _ := testsound.ReadTake(t, "harbour-street.wav")
	rounded, clipped := make([]float64, len(demo[0])), make([]float64, len(demo[0]))
	for n, x := range demo[0] {
		rounded[n] = math.Round(x*(1<<15)) / (1 << 15)
		clipped[n] = max(-0.9999, min(0.9999, 4*x))
	}
	if n := measuretest.ReadingValue(t, inspect(t, dsp.Block{rounded}, 16).Readings, "flat_tops"); n != 0 {
		t.Errorf("%g flat tops in quiet 16-bit sound", n)
	}
	in := inspect(t, dsp.Block{clipped}, 24)
	if n := measuretest.ReadingValue(t, in.Readings, "clips"); n < 90 || in.Findings[0].Severity != measure.Fault || !strings.Contains(in.Findings[0].What, "clips") {
		t.Errorf("%g clips; first: %v", n, in.Findings[0])
	}
	quieter := testsound.Times(clipped, 0.5)
	if n := measuretest.ReadingValue(t, inspect(t, dsp.Block{quieter}, 24).Readings, "flat_tops"); n < 90 {
		t.Errorf("%g flat tops of clipped sound that was turned down", n)
	}
}
