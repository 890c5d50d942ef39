package bench

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/instrument"
)

// plannedDevice is the simulated interface with the settings of one condition of a plan. Its
// latency may differ from one recording to the next.
type plannedDevice struct {
	simulatedInterface
	latencies []int
	at        *int
}

func (d plannedDevice) Respond(ctx context.Context, in wave.Source, out wave.Sink) error {
	d.latency = d.latencies[*d.at%len(d.latencies)]
	*d.at++
	return d.simulatedInterface.Respond(ctx, in, out)
}

const derivedPlan = `schema = 1
device = "A"
repeats = 3
[[test]]
name = "tone"
stimulus = "kind=tone hz=997 peak_dbfs=-20 seconds=2"
[[test]]
name = "quiet tone"
stimulus = "kind=tone hz=997 peak_dbfs=-40 seconds=2"
[[test]]
name = "rising"
stimulus = "kind=tone-series from_dbfs=-6 to_dbfs=0 step_db=0.2 step_seconds=0.6"
[[path]]
name = "loop"
kind = "loopback"
together = true
rates_hz = [RATE]
buffers_frames = [64, 256]
tests = ["tone"]
[[path]]
name = "effect"
kind = "effect"
together = true
rates_hz = [RATE]
buffers_frames = [64, 256]
tests = ["tone"]
[[path]]
name = "preamp"
kind = "microphone-input"
gains_db = [0, 30]
rates_hz = [RATE]
calibration = "0 dBFS = +18 dBu"
input_calibration = "0 dBFS = +10 dBu"
tests = ["quiet tone"]
`

// A channel in which no tone plays has no reading of distortion: relative to crosstalk,
// distortion would look the smaller the larger the crosstalk is. It has only readings of the
// crosstalk and of its marks.
func TestUndrivenChannelHasNoDistortion(t *testing.T) {
	p := planOf(t, `schema = 1
device = "A"
[[test]]
name = "second alone"
stimulus = "kind=tone hz=997 peak_dbfs=-20 seconds=2 channels=2 only=2"
[[path]]
name = "line"
kind = "loopback"
channels = 2
tests = ["crosstalk", "second alone"]
`)
	s := sheetOf(t, p, simulated{noiseDBFS: -90, harmonic2DB: -70, harmonic3DB: -80, amplitude: 0.1, crosstalk: 0.01, seed: 1})
	driven := map[string]string{"crosstalk from channel 1": "_ch1", "crosstalk from channel 2": "_ch2", "second alone": "_ch2"}
	distortions, crosstalks := map[string]int{}, 0
	for _, r := range s.Rows {
		switch {
		case strings.HasPrefix(r.Reading, "crosstalk_"):
			crosstalks++
		case strings.HasPrefix(r.Reading, "thd_"), strings.HasPrefix(r.Reading, "harmonic"), strings.HasPrefix(r.Reading, "tone_"):
			distortions[r.Test]++
			if channelSuffix(r.Reading) != driven[r.Test] {
				t.Errorf("%s: %s is %s, and the tone is in%s", r.Test, r.Reading, r, driven[r.Test])
			}
		}
	}
	if crosstalks != 3 || len(distortions) != 3 {
		t.Errorf("%d readings of crosstalk and distortion in %v; want 3, and some in each test", crosstalks, distortions)
	}
}

// preamp is an input with a gain and its own white noise, in dBFS mathematical rms.
type preamp struct {
	gainDB, noiseDBFS float64
	seed              uint64
}

func (p preamp) Respond(_ context.Context, in wave.Source, out wave.Sink) error {
	b := dsp.NewBlock(in.Format().Channels, int(in.(*wave.Memory).Frames()))
	if _, err := in.Read(b); err != nil {
		return err
	}
	random := rand.New(rand.NewPCG(p.seed, 4))
	for c := range b {
		for n := range b[c] {
			b[c][n] = dsp.DBToAmplitude(p.gainDB) * (b[c][n] + random.NormFloat64()*dsp.DBToAmplitude(p.noiseDBFS))
		}
	}
	return out.Write(b)
}

// Two inputs have the same noise, and gains other than the plan's. Where the sheet has measured
// the gain in volts, both readings are the planted value, and equal. Where it has not, the rows
// state that they assume the plan's gain, and neither is the best.
func TestInputNoiseWhereTheGainIsNotThePlans(t *testing.T) {
	const text = `schema = 1
device = "A"
[[test]]
name = "tone"
stimulus = "kind=tone hz=997 peak_dbfs=-70 seconds=2"
[[path]]
name = "mic"
kind = "microphone-input"
gains_db = [55]
source_ohm = 150
calibration = "0 dBFS = +18 dBu"
input_calibration = "0 dBFS = +10 dBu"
tests = ["tone", "input-noise"]
`
	// White noise at the input. 0 dBFS is the level at which the player would give +10 dBu.
	const noiseDBFS = -130.0
	planted := noiseDBFS + 10*math.Log10(19980/24000.0) + 3.0103 + 10
	for _, measured := range []bool{true, false} {
		plan := text
		if !measured {
			plan = strings.Replace(text, "input_calibration = \"0 dBFS = +10 dBu\"\n", "", 1)
		}
		var sheets []*Sheet
		for i, gain := range []float64{50, 46} { // 58 and 54 dB between input and output in volts
			s := sheetOf(t, planOf(t, plan), preamp{gain, noiseDBFS, uint64(i)})
			s.Device = string(rune('A' + i))
			sheets = append(sheets, s)
			r := row(t, s, "input-noise", "equivalent_input_noise_dbu")
			if measured && math.Abs(*r.Value-planted) > 2*r.Uncertainty {
				t.Errorf("gain %g dB: %s, planted %.2f dBu", gain, r, planted)
			}
			if assumes := strings.Contains(r.String(), "with the plan's gain of 55 dB, which was not measured"); assumes == measured {
				t.Errorf("%s; is the gain measured: %v", r, measured)
			}
			if thermal := row(t, s, "input-noise", "thermal_noise_dbu"); thermal.Assumes != "" {
				t.Errorf("thermal noise assumes %s", thermal.Assumes)
			}
		}
		for _, c := range Compare(sheets) {
			if c.Test == "input-noise" && isInputNoise(c.Reading) && (c.Equal != measured || slices.Contains(c.Best, true) || (c.Why == "") != measured) {
				t.Errorf("gain measured: %v: %s: equal %v, best %v, why %q", measured, c.Reading, c.Equal, c.Best, c.Why)
			}
		}
	}
}

// A gain that changes with the level is a finding on every path but those of processors and
// limiters.
func TestMovingGainIsNoFindingOfAProcessor(t *testing.T) {
	compressor := simulatedProcessor{thresholdDBFS: -30, slope: 0.7, attackMs: 5, releaseMs: 80, rate: 48000, bits: 24, noise: dsp.DBToAmplitude(-100)}
	for kind, want := range map[string]bool{"processor": false, "limiter": false, "line-input": true} {
		if kind == "limiter" && !dsptest.IsExhaustive() {
			continue // as a processor
		}
		s := sheetOf(t, planOf(t, strings.NewReplacer(`"line-input"`, `"`+kind+`"`, "peak_dbfs=-20", "peak_dbfs=-6").Replace(shortPlan)), compressor)
		moving := slices.ContainsFunc(s.Findings, func(l Lack) bool { return strings.Contains(l.What, "gain follows the level") })
		if moving != want {
			t.Errorf("%s: findings %v; one of a moving gain: want %v", kind, s.Findings, want)
		}
	}
}

const longDerivedPlan = derivedPlan + `
[[path]]
name = "up to clipping"
kind = "line-input"
rates_hz = [RATE]
input_calibration = "0 dBFS = +10 dBu"
calibration = "0 dBFS = +18 dBu"
tests = ["rising"]
[[path]]
name = "terminated"
kind = "microphone-input"
gains_db = [40]
source_ohm = 150
rates_hz = [RATE]
calibration = "0 dBFS = +18 dBu"
tests = ["input-noise"]
[[path]]
name = "headphones"
kind = "headphone-output"
loads_ohm = [0, 32]
level_dbfs = -10
rates_hz = [RATE]
calibration = "0 dBFS = +12 dBu"
sensitivity_db_spl_per_mw = 110
headphone_ohm = 32
headphone_peak_ohm = 90
headphone_resonance_hz = 100
headphone_q = 2
tests = ["distortion", "idle-noise"]
`

// aWeighted is the share of white noise's power up to half the rate that remains from 20 Hz to
// 20 kHz behind the A-weighting of IEC 61672-1:2013, Annex E.
func aWeighted(rate int) float64 { return inBand(rate, 0, true) }

// inBand is the share of a noise's power up to half the rate that lies from 20 Hz to 20 kHz,
// A-weighted or not. The noise is white noise behind y = x + pole·y'.
func inBand(rate int, pole float64, weighted bool) float64 {
	a := func(f float64) float64 {
		f2 := f * f
		return 12194 * 12194 * f2 * f2 / ((f2 + 20.6*20.6) * math.Sqrt((f2+107.7*107.7)*(f2+737.9*737.9)) * (f2 + 12194*12194))
	}
	sum := 0.0
	for f := 20.5; f < 20000; f++ {
		g := a(f) / a(1000)
		if !weighted {
			g = 1
		}
		sum += g * g * (1 - pole*pole) / (1 - 2*pole*math.Cos(2*math.Pi*f/float64(rate)) + pole*pole)
	}
	return sum / (float64(rate) / 2)
}

// overdriven returns by how many dB a sine exceeds a hard limit at which everything but its
// fundamental is 1 % of the total (AES17-2015 6.2.1). It integrates over a quarter of a period.
func overdriven() float64 {
	for db := 0.01; ; db += 0.001 {
		a := dsp.DBToAmplitude(db)
		const steps = 4000
		fundamental, power := 0.0, 0.0
		for n := range steps {
			x := math.Sin((float64(n) + 0.5) / steps * math.Pi / 2)
			y := min(1, a*x)
			fundamental += 2 * x * y / steps
			power += y * y / steps
		}
		if rest := power - fundamental*fundamental/2; rest > 1e-4*power {
			return db
		}
	}
}

// In at least 95 of 100 readings that follow from others, the planted value lies within the
// uncertainty that the sheet states. The random devices have three rates and two word lengths,
// a clock of their own, inverted polarity, a coupling capacitor, hum and noise.
func TestDerivedReadings(t *testing.T) {
	devices, text := 1, derivedPlan
	if dsptest.IsExhaustive() {
		devices, text = 4, longDerivedPlan // about 15 s of processor time each
	}
	random := rand.New(rand.NewPCG(15, 3))
	inside, all := 0, 0
	overDB := overdriven()
	for n := range devices {
		rate := []int{48000, 44100, 96000}[n%3]
		p := planOf(t, strings.ReplaceAll(text, "RATE", fmt.Sprint(rate)))
		if !dsptest.IsExhaustive() {
			p.Repeats = 2
		}
		base := simulatedInterface{
			inverted: n%2 == 1, rate: rate, cornerHz: 1, bits: []int{24, 16}[n/2%2], ppm: 50*random.Float64() - 25,
			humPeak: dsp.DBToAmplitude(-90 - 10*random.Float64()), noise: dsp.DBToAmplitude(-105 + 10*random.Float64()),
		}
		lowGain, highGain := 6*random.Float64()-3, 28+4*random.Float64()
		outputOhm := 0.5 + 60*random.Float64()
		clipDBFS := -3 + 2*random.Float64()
		loop, added := 100+random.IntN(2000), random.IntN(700)
		spread := random.IntN(4)
		noiseDBFS := -80 + 10*random.Float64() // of the terminated input, mathematical rms
		headphoneDB := -1 + 2*random.Float64()
		device := func(c Condition) (instrument.Device, error) {
			s, gainDB := base, 0.0
			latency := loop + c.BufferFrames
			s.seed = random.Uint64()
			switch c.Path.Name {
			case "effect":
				latency += added
			case "preamp":
				gainDB = lowGain
				if *c.GainDB > 0 {
					gainDB = highGain
				}
			case "up to clipping":
				s.clip, s.humPeak = dsp.DBToAmplitude(clipDBFS), 0
			case "terminated":
				s.humPeak, s.noise, s.bits = 0, dsp.DBToAmplitude(noiseDBFS), 24
			case "headphones":
				gainDB, s.humPeak, s.bits, s.noise = headphoneDB, 0, 24, dsp.DBToAmplitude(-95)
				if c.LoadOhm > 0 {
					gainDB += dsp.AmplitudeToDB(c.LoadOhm / (c.LoadOhm + outputOhm))
				}
			}
			s.gain = [2]float64{dsp.DBToAmplitude(gainDB), 1}
			return plannedDevice{s, []int{latency, latency + spread, latency}, new(int)}, nil
		}
		sheet, err := Run(t.Context(), p, device, func(string, int, int) {})
		if err != nil {
			t.Fatal(err)
		}
		if len(sheet.Missing) > 0 || len(sheet.Void) > 0 {
			t.Errorf("device %d: missing %v, void %v", n, sheet.Missing, sheet.Void)
		}
		repeats := float64(p.Repeats)
		median := 0.0 // latencies L, L+spread, L have the median L; with L and L+spread alone it is the middle
		if p.Repeats == 2 {
			median = float64(spread) / 2
		}
		whole := func(buffer int) float64 { return float64(loop + buffer) }
		ms := 1000 / float64(rate)
		aDBu := dsp.PowerToDB(math.Pow(10, -9.5)*aWeighted(rate)) + 3.0103 + 12
		planted := []struct {
			condition, reading string
			value              float64
		}{
			{"loop, RATE Hz, buffer 64 frames", "latency_frames", whole(64) + median},
			{"loop, RATE Hz, buffer 64 frames", "round_trip_frames", whole(64) + float64(spread)/repeats},
			{"loop, RATE Hz, buffer 256 frames", "round_trip_ms", (whole(256) + float64(spread)/repeats) * ms},
			{"loop, RATE Hz, buffer 256 frames", "round_trip_min_frames", whole(256)},
			{"loop, RATE Hz, buffer 256 frames", "round_trip_max_frames", whole(256) + float64(spread)},
			{"loop, RATE Hz, buffer 64 frames", "round_trip_spread_frames", float64(spread)},
			{"loop, RATE Hz, buffer 64 frames", "round_trip_spread_ms", float64(spread) * ms},
			{"effect, RATE Hz, buffer 64 frames", "latency_added_frames", float64(added)},
			{"effect, RATE Hz, buffer 256 frames", "latency_added_ms", float64(added) * ms},
			{"preamp, gain 0 dB, RATE Hz", "gain_db", lowGain},
			{"preamp, gain 30 dB, RATE Hz", "gain_error_db", highGain - lowGain - 30},
			{"preamp, gains 0 to 30 dB, RATE Hz", "gain_range_db", highGain - lowGain},
			{"preamp, gain 30 dB, RATE Hz", "full_scale_input_dbu", 10 - highGain},
			// Output level: a tone of -40 dBFS behind the gain, at a calibration of +18 dBu.
			{"preamp, gain 30 dB, RATE Hz", "tone_dbu", -40 + highGain + 18},
			{"up to clipping, RATE Hz", "maximum_level_dbfs", clipDBFS + overDB},
			{"up to clipping, RATE Hz", "maximum_level_dbu", clipDBFS + overDB + 10},
			// Headroom: the converter receives the clipped tops, and noise on them.
			{"up to clipping, RATE Hz", "converter_headroom_db", -clipDBFS},
			{"terminated, gain 40 dB, RATE Hz", "equivalent_input_noise_dbu", noiseDBFS + 10*math.Log10(19980/(float64(rate)/2)) + 3.0103 + 18 - 40},
			{"terminated, gain 40 dB, RATE Hz", "equivalent_input_noise_a_dbu", noiseDBFS + dsp.PowerToDB(aWeighted(rate)) + 3.0103 + 18 - 40},
			{"headphones, load 32 ohm, RATE Hz", "output_impedance_ohm", outputOhm},
			{"headphones, load 32 ohm, RATE Hz", "load_drop_db", dsp.AmplitudeToDB((32 + outputOhm) / 32)},
			// Between the impedance at DC and that at the resonance.
			{"headphones, load 32 ohm, RATE Hz", "response_spread_db", dsp.AmplitudeToDB(90 / (90 + outputOhm) * (32 + outputOhm) / 32)},
			{"headphones, load 32 ohm, RATE Hz", "largest_loss_db", dsp.AmplitudeToDB((32 + outputOhm) / 32)},
			// The noise is -95 dBFS mathematical rms, converted to dBV. 1 mW into 32 ohm is
			// -14.95 dBV.
			{"headphones, no load, RATE Hz", "headphone_noise_a_db_spl", aDBu - 2.2185 + 110 + 14.9485},
		}
		for _, want := range planted {
			condition := strings.ReplaceAll(want.condition, "RATE", fmt.Sprint(rate))
			path, _, _ := strings.Cut(condition, ",")
			if p.path(path) == nil {
				continue // not in the short plan
			}
			var found *Row
			for i, r := range sheet.Rows {
				if r.Path+", "+r.Condition == condition && r.Reading == want.reading {
					found = &sheet.Rows[i]
					break
				}
			}
			if found == nil || found.Value == nil {
				t.Errorf("device %d: %s: no %s: %v", n, condition, want.reading, found)
				continue
			}
			off := math.Abs(*found.Value - want.value)
			if found.AtMost {
				off = max(0, want.value-*found.Value)
			}
			all++
			if off <= found.Uncertainty+1e-9 {
				inside++
				continue
			}
			t.Logf("device %d: %s: %s is %g ± %g, planted %g", n, condition, want.reading, *found.Value, found.Uncertainty, want.value)
			if off > 4*found.Uncertainty+1e-9 {
				t.Errorf("device %d: %s: %s is %g ± %g, planted %g", n, condition, want.reading, *found.Value, found.Uncertainty, want.value)
			}
		}
	}
	t.Logf("%d of %d within the stated uncertainty", inside, all)
	if float64(inside) < 0.95*float64(all)-1 {
		t.Errorf("%d of %d are within the stated uncertainty; wanted 95 %%", inside, all)
	}
}

// hardLimiter clips samples at a level some dB above its stated ceiling.
type hardLimiter struct {
	peak    float64
	latency int
}

func (h hardLimiter) Respond(_ context.Context, in wave.Source, out wave.Sink) error {
	b := dsp.NewBlock(in.Format().Channels, int(in.(*wave.Memory).Frames()))
	if _, err := in.Read(b); err != nil {
		return err
	}
	response := dsp.NewBlock(len(b), b.Frames()+h.latency)
	for c := range b {
		for n, x := range b[c] {
			response[c][n+h.latency] = max(-h.peak, min(h.peak, x))
		}
	}
	return out.Write(response)
}

// A limiter exceeds its ceiling by some dB: the sheet states that as the largest overshoot.
func TestPlantedOvershoot(t *testing.T) {
	dsptest.Exhaustive(t) // the stress signals of a limiter, whole
	p := planOf(t, `schema = 1
device = "A"
[[path]]
name = "limiter"
kind = "limiter"
level_dbfs = -40
ceiling_dbtp = -26
together = true
tests = ["overshoot"]
`)
	for _, over := range []float64{0.7, 0, 3} {
		s := sheetOf(t, p, hardLimiter{dsp.DBToAmplitude(-26 + over), 77})
		if r := row(t, s, "overshoot", "overshoot_sample_db"); math.Abs(*r.Value-over) > r.Uncertainty {
			t.Errorf("%g dB over: %s", over, r)
		}
	}
}

// automaticGain brings every sound to one level within a second: its gain is the inverse of a
// smoothed mean square.
type automaticGain struct{}

func (automaticGain) Respond(_ context.Context, in wave.Source, out wave.Sink) error {
	b := dsp.NewBlock(in.Format().Channels, int(in.(*wave.Memory).Frames()))
	if _, err := in.Read(b); err != nil {
		return err
	}
	random := rand.New(rand.NewPCG(1, 2))
	for c := range b {
		square := 1e-3
		for n, x := range b[c] {
			square += (x*x - square) / 20000
			b[c][n] = x*min(10, 0.1/math.Sqrt(square)) + 1e-5*random.NormFloat64()
		}
	}
	return out.Write(b)
}

// A device with automatic gain is void, or the sheet states that its gain is not fixed.
func TestAutomaticGainIsAFinding(t *testing.T) {
	s := sheetOf(t, planOf(t, shortPlan), automaticGain{})
	said := false
	for _, l := range append(s.Findings, s.Void...) {
		said = said || strings.Contains(l.What, "gain changed") || strings.Contains(l.What, "gain follows the level")
	}
	if !said {
		t.Errorf("findings %v, void %v: nothing about the gain", s.Findings, s.Void)
	}
	// For a processor that is normal.
	for _, l := range sheetOf(t, planOf(t, strings.Replace(shortPlan, `kind = "line-input"`, `kind = "processor"`, 1)), automaticGain{}).Findings {
		if strings.Contains(l.What, "gain") {
			t.Errorf("of a processor: %s", l.What)
		}
	}
}
