package bench

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// lines are parts of a plan: paths with stimuli just long enough for every derived reading. A
// random device is given some of them. The effect needs the loopback, so both are in one part.
var lines = []struct {
	name  string
	tests string // of the plan
	paths string
}{
	{"loop", `repeats = 2
[[test]]
name = "tone"
stimulus = "kind=tone hz=997 peak_dbfs=-20 seconds=1.2"
`, `[[path]]
name = "loop"
kind = "loopback"
together = true
rates_hz = [RATE]
buffers_frames = [64]
tests = ["tone"]
[[path]]
name = "effect"
kind = "effect"
together = true
rates_hz = [RATE]
buffers_frames = [64]
tests = ["tone"]
`},
	{"preamp", `[[test]]
name = "quiet"
stimulus = "kind=tone hz=997 peak_dbfs=-40 seconds=1.4 channels=2"
`, `[[path]]
name = "preamp"
kind = "microphone-input"
channels = 2
gains_db = [0, 30]
rates_hz = [RATE]
calibration = "0 dBFS = +18 dBu"
input_calibration = "0 dBFS = +10 dBu"
tests = ["quiet"]
`},
	{"line", `[[test]]
name = "one"
stimulus = "kind=tone hz=997 peak_dbfs=-20 seconds=1.4 channels=2 only=1"
[[test]]
name = "two"
stimulus = "kind=tone hz=997 peak_dbfs=-20 seconds=1.4 channels=2 only=2"
`, `[[path]]
name = "line"
kind = "line-input"
channels = 2
rates_hz = [RATE]
tests = ["one", "two"]
`},
	{"up to clipping", `[[test]]
name = "rising"
stimulus = "kind=tone-series from_dbfs=FROM to_dbfs=TO step_db=0.2 step_seconds=0.5"
`, `[[path]]
name = "up to clipping"
kind = "line-input"
rates_hz = [RATE]
input_calibration = "0 dBFS = +10 dBu"
tests = ["rising"]
`},
	{"converter", `[[test]]
name = "rising to full scale"
stimulus = "kind=tone-series from_dbfs=-2 to_dbfs=0 step_db=0.4 step_seconds=0.5"
`, `[[path]]
name = "converter"
kind = "line-input"
rates_hz = [RATE]
input_calibration = "0 dBFS = +10 dBu"
tests = ["rising to full scale"]
`},
	{"terminated", ``, `[[path]]
name = "terminated"
kind = "microphone-input"
gains_db = [40]
source_ohm = 150
rates_hz = [RATE]
calibration = "0 dBFS = +18 dBu"
tests = ["input-noise"]
`},
	{"headphones", ``, `[[path]]
name = "headphones"
kind = "headphone-output"
loads_ohm = [0, 32]
level_dbfs = -10
rates_hz = [RATE]
headphone_ohm = 32
headphone_peak_ohm = 90
headphone_resonance_hz = 100
headphone_q = 2
tests = ["distortion"]
`},
	{"headphone noise", `[[test]]
name = "silence"
stimulus = "kind=silence seconds=3"
`, `[[path]]
name = "headphone noise"
kind = "headphone-output"
rates_hz = [RATE]
calibration = "0 dBFS = +12 dBu"
sensitivity_db_spl_per_mw = 110
headphone_ohm = 32
tests = ["silence"]
`},
}

// shortDistortion replaces the built-in test by one short tone. The effect of a load is read
// from a test of this name.
var shortDistortion = CustomTest{Name: "distortion", signal: stimulus.Tone{Hz: stimulus.StandardHz, PeakDBFS: -10, Seconds: 1.3, Channels: 1}}

// linesOfADevice is the number of lines for one device: a quarter of them.
const linesOfADevice = 2

// plantedReading is a reading and the value that a sheet should state for a simulated device.
type plantedReading struct {
	condition, reading string
	value              float64
}

// randomDevice returns a device with random properties and the readings that a sheet should
// state.
func randomDevice(random *rand.Rand, n, rate int, classes map[string]int) (plans []string, device func(Condition) (instrument.Device, error), planted []plantedReading) {
	uniform := func(from, to float64) float64 { return from + (to-from)*random.Float64() }
	base := simulatedInterface{
		inverted: random.IntN(2) == 1, rate: rate, cornerHz: uniform(0.5, 3), bits: []int{24, 16}[random.IntN(2)], ppm: uniform(-25, 25),
		humPeak: dsp.DBToAmplitude(uniform(-100, -90)), noise: dsp.DBToAmplitude(uniform(-105, -95)), crosstalk: dsp.DBToAmplitude(uniform(-70, -40)),
	}
	if random.IntN(4) == 0 {
		base.ppm = 0 // player and recorder share a clock
	}
	if random.IntN(4) == 0 {
		base.cornerHz = 0 // no capacitor
	}
	if random.IntN(4) == 0 {
		base.humPeak = 0
	}
	count := func(is bool, yes, no string) {
		if is {
			classes[yes]++
		} else {
			classes[no]++
		}
	}
	classes[fmt.Sprintf("%d Hz", rate)]++
	classes[fmt.Sprintf("%d bits", base.bits)]++
	count(base.inverted, "inverted", "not inverted")
	count(base.cornerHz > 0, "coupled by a capacitor", "coupled directly")
	count(base.humPeak > 0, "hum", "no hum")
	count(base.ppm != 0, "clock of its own", "shared clock")
	lowGain, highGain, second := uniform(-3, 3), uniform(28, 32), uniform(-1, 1)
	outputOhm := math.Exp(uniform(math.Log(0.3), math.Log(100)))
	clipDBFS, converterDB := uniform(-3, -1), uniform(0.5, 1.5)
	loop, added, spread := 100+random.IntN(2000), random.IntN(700), random.IntN(4)
	noiseDBFS, headphoneDB, headphoneNoiseDBFS := uniform(-80, -70), uniform(-1, 1), uniform(-100, -90)
	// Noise is white, or stronger at low frequencies, as of amplifiers and supplies.
	pole := 0.0
	if random.IntN(2) == 1 {
		pole = math.Exp(-2 * math.Pi * uniform(200, 4000) / float64(rate))
	}
	hissDBFS := -20 + min(lowGain, 0) - 3 - uniform(24, 60) // below the marks
	back := dsp.DBToAmplitude(uniform(-70, -40))
	overDB := overdriven()
	from := math.Round(10*(clipDBFS-uniform(0.5, 0.9))) / 10
	fill := strings.NewReplacer("RATE", fmt.Sprint(rate), "FROM", fmt.Sprintf("%.1f", from), "TO", fmt.Sprintf("%.1f", from+1.4))
	once, drawn := [2]string{}, map[string]bool{"effect": false}
	for _, i := range random.Perm(len(lines))[:linesOfADevice] {
		drawn[lines[i].name] = true
		if lines[i].name == "loop" { // repeated, so in a plan of its own
			drawn["effect"] = true
			plans = append(plans, fill.Replace("schema = 1\ndevice = \"A\"\n"+lines[i].tests+lines[i].paths))
			continue
		}
		once[0], once[1] = once[0]+lines[i].tests, once[1]+lines[i].paths
	}
	plans = append(plans, fill.Replace("schema = 1\ndevice = \"A\"\n"+once[0]+once[1]))
	device = func(c Condition) (instrument.Device, error) {
		s, gainDB := base, 0.0
		latency := loop + c.BufferFrames
		s.seed = random.Uint64()
		s.gain[1] = dsp.DBToAmplitude(second)
		switch c.Path.Name {
		case "effect":
			latency += added
		case "preamp":
			gainDB, s.crosstalk = lowGain, 0
			if *c.GainDB > 0 {
				gainDB = highGain
			}
			s.gain[1] = dsp.DBToAmplitude(gainDB + second)
		case "line":
			s.back = back
		case "loop":
			s.noise = dsp.DBToAmplitude(hissDBFS)
		case "up to clipping":
			s.clip = dsp.DBToAmplitude(clipDBFS)
		case "converter":
			gainDB = converterDB
		case "terminated":
			s.humPeak, s.noise, s.bits, s.pole = 0, dsp.DBToAmplitude(noiseDBFS), 24, pole
		case "headphones", "headphone noise":
			gainDB, s.humPeak, s.bits, s.noise, s.pole = headphoneDB, 0, 24, dsp.DBToAmplitude(headphoneNoiseDBFS), pole
			if c.LoadOhm > 0 {
				gainDB += dsp.AmplitudeToDB(c.LoadOhm / (c.LoadOhm + outputOhm))
			}
		}
		s.gain[0] = dsp.DBToAmplitude(gainDB)
		return plannedDevice{s, []int{latency, latency + spread}, new(int)}, nil
	}
	polarity := 1.0
	if base.inverted {
		polarity = -1
	}
	ms := 1000 / float64(rate)
	whole, ofRepeats := float64(loop+64), float64(spread)/2
	at997 := -10 * math.Log10(1+math.Pow(base.cornerHz/997, 2))
	bandDB, aDB := dsp.PowerToDB(inBand(rate, pole, false)), dsp.PowerToDB(inBand(rate, pole, true))
	aDBu := headphoneNoiseDBFS + aDB + 3.0103 + 12
	const loopSetting, loaded = "loop, RATE Hz, buffer 64 frames", "headphones, load 32 ohm, RATE Hz"
	all := []plantedReading{
		{loopSetting, "latency_frames", whole + ofRepeats},
		{loopSetting, "round_trip_frames", whole + ofRepeats},
		{loopSetting, "round_trip_ms", (whole + ofRepeats) * ms},
		{loopSetting, "round_trip_min_frames", whole},
		{loopSetting, "round_trip_max_frames", whole + float64(spread)},
		{loopSetting, "round_trip_spread_frames", float64(spread)},
		{loopSetting, "round_trip_spread_ms", float64(spread) * ms},
		{loopSetting, "drift_ppm", base.ppm},
		{loopSetting, "gain_db", 0},
		{loopSetting, "tone_dbfs", -20 + at997},
		{"effect, RATE Hz, buffer 64 frames", "latency_added_frames", float64(added)},
		{"effect, RATE Hz, buffer 64 frames", "latency_added_ms", float64(added) * ms},
		{"preamp, gain 0 dB, RATE Hz", "gain_db_ch1", lowGain},
		{"preamp, gain 30 dB, RATE Hz", "gain_db_ch2", highGain + second},
		{"preamp, gain 30 dB, RATE Hz", "gain_error_db_ch1", highGain - lowGain - 30},
		{"preamp, gains 0 to 30 dB, RATE Hz", "gain_range_db_ch1", highGain - lowGain},
		{"preamp, gain 0 dB, RATE Hz", "full_scale_input_dbu_ch1", 10 - lowGain},
		{"preamp, gain 30 dB, RATE Hz", "full_scale_input_dbu_ch1", 10 - highGain},
		{"preamp, gain 30 dB, RATE Hz", "tone_dbu_ch1", -40 + highGain + 18 + at997},
		{"preamp, gain 30 dB, RATE Hz", "channel_balance_1to2_db", second},
		{"preamp, gain 0 dB, RATE Hz", "polarity_ch2", polarity},
		{"line, RATE Hz", "crosstalk_1to2_db", dsp.AmplitudeToDB(base.crosstalk)},
		{"line, RATE Hz", "crosstalk_2to1_db", dsp.AmplitudeToDB(back)},
		{"up to clipping, RATE Hz", "maximum_level_dbfs", clipDBFS + overDB - at997},
		{"up to clipping, RATE Hz", "maximum_level_dbu", clipDBFS + overDB + 10 - at997},
		{"up to clipping, RATE Hz", "converter_headroom_db", -clipDBFS},
		{"converter, RATE Hz", "maximum_level_dbu", 10 - converterDB + overDB - at997},
		{"converter, RATE Hz", "converter_headroom_db", 0},
		{"converter, RATE Hz", "full_scale_input_dbu", 10 - converterDB},
		{"terminated, gain 40 dB, RATE Hz", "equivalent_input_noise_dbu", noiseDBFS + bandDB + 3.0103 + 18 - 40},
		{"terminated, gain 40 dB, RATE Hz", "equivalent_input_noise_a_dbu", noiseDBFS + aDB + 3.0103 + 18 - 40},
		{loaded, "output_impedance_ohm", outputOhm},
		{loaded, "load_drop_db", dsp.AmplitudeToDB((32 + outputOhm) / 32)},
		// Between the impedance at DC and that at the resonance.
		{loaded, "response_spread_db", dsp.AmplitudeToDB(90 / (90 + outputOhm) * (32 + outputOhm) / 32)},
		{loaded, "largest_loss_db", dsp.AmplitudeToDB((32 + outputOhm) / 32)},
		{"headphone noise, RATE Hz", "idle_noise_dbfs", headphoneNoiseDBFS + bandDB + 3.0103},
		// Converted to dBV; 1 mW into 32 ohm is -14.95 dBV.
		{"headphone noise, RATE Hz", "headphone_noise_a_db_spl", aDBu - 2.2185 + 110 + 14.9485},
	}
	for _, want := range all {
		if path, _, _ := strings.Cut(want.condition, ","); drawn[path] {
			planted = append(planted, want)
		}
	}
	return plans, device, planted
}

// readingTally counts how often one reading lies within its uncertainty.
type readingTally struct {
	inside int
	shares []float64 // error divided by uncertainty, of each device
	bounds []float64 // uncertainties
	unit   string
}

// tallies holds a tally for each reading, by path and name.
type tallies map[string]*readingTally

// add compares a row with the planted value. An error of more than four times the uncertainty
// fails the test.
func (all tallies) add(t *testing.T, device int, of string, want plantedReading, r Row) {
	t.Helper()
	off := math.Abs(*r.Value - want.value)
	if r.AtMost { // an upper bound: the planted value may be lower
		off = max(0, want.value-*r.Value)
	}
	key := of + ": " + want.reading
	y := all[key]
	if y == nil {
		y = &readingTally{unit: r.Unit}
		all[key] = y
	}
	y.bounds = append(y.bounds, r.Uncertainty)
	y.shares = append(y.shares, off/max(r.Uncertainty, 1e-9))
	if off <= r.Uncertainty+1e-9 {
		y.inside++
	}
	if off > 4*r.Uncertainty+1e-9 {
		t.Errorf("device %d: %s is %g ± %g %s, planted %g", device, key, *r.Value, r.Uncertainty, r.Unit, want.value)
	}
}

// leastInside is the 0.1 % quantile of a binomial distribution of 95 %: if each of n values
// lies within its uncertainty with a probability of 95 %, fewer than this many do in one case
// of 1,000.
func leastInside(n int) int {
	chance, below := math.Pow(0.05, float64(n)), 0.0 // probability of exactly k inside; of k or fewer
	for k := 0; ; k++ {
		if below += chance; below >= 0.001 {
			return k
		}
		chance *= 0.95 / 0.05 * float64(n-k) / float64(k+1)
	}
}

// judge requires that leastInside values of every reading lie inside, and 95 of 100 of all.
func (all tallies) judge(t *testing.T) {
	t.Helper()
	inside, counted := 0, 0
	for _, key := range slices.Sorted(maps.Keys(all)) {
		y := all[key]
		slices.Sort(y.shares)
		slices.Sort(y.bounds)
		n, least := len(y.shares), leastInside(len(y.shares))
		inside, counted = inside+y.inside, counted+n
		t.Logf("%-48s %3d of %3d inside (%3.0f %%, at least %d); error over uncertainty: median %.2f, 95 %%: %.2f; uncertainty %.2g to %.2g %s", key, y.inside, n, 100*float64(y.inside)/float64(n), least, y.shares[n/2], y.shares[n*95/100], y.bounds[0], y.bounds[n-1], y.unit)
		if y.inside < least {
			t.Errorf("%s: %d of %d within the stated uncertainty; of 95 %%, %d or more are", key, y.inside, n, least)
		}
	}
	t.Logf("%d of %d inside", inside, counted)
	if float64(inside) < 0.95*float64(counted)-1 {
		t.Errorf("%d of %d within the stated uncertainty; wanted 95 %%", inside, counted)
	}
}

// In 95 of 100 readings of random devices the planted value lies within the uncertainty that
// the sheet states, for every derived reading. The devices have three rates and two word
// lengths, inverted polarity, a clock of their own, a coupling capacitor, hum, and noise that
// is white or not.
func TestUncertaintiesOfRandomDevices(t *testing.T) {
	dsptest.Exhaustive(t)
	devices := 1
	if dsptest.IsExhaustive() {
		devices = 200
	}
	random := rand.New(rand.NewPCG(200, 15))
	counted, classes := tallies{}, map[string]int{}
	for n := range devices {
		rate := []int{48000, 44100, 48000, 44100, 96000}[n%5]
		plans, device, planted := randomDevice(random, n, rate, classes)
		var rows []Row
		for _, text := range plans {
			p := planOf(t, text)
			p.Tests = append(p.Tests, shortDistortion)
			sheet, err := Run(t.Context(), p, device, func(string, int, int) {})
			if err != nil {
				t.Fatal(err)
			}
			if len(sheet.Missing) > 0 || len(sheet.Void) > 0 {
				t.Errorf("device %d: missing %v, void %v", n, sheet.Missing, sheet.Void)
			}
			rows = append(rows, sheet.Rows...)
		}
		for _, want := range planted {
			condition := strings.ReplaceAll(want.condition, "RATE", fmt.Sprint(rate))
			at := slices.IndexFunc(rows, func(r Row) bool { return r.Path+", "+r.Condition == condition && r.Reading == want.reading })
			if at < 0 || rows[at].Value == nil {
				t.Errorf("device %d: %s: no %s", n, condition, want.reading)
				continue
			}
			path, _, _ := strings.Cut(want.condition, ",")
			counted.add(t, n, path, want, rows[at])
		}
	}
	counted.judge(t)
	t.Logf("classes: %v", classes)
	if !dsptest.IsExhaustive() {
		return
	}
	for _, class := range []string{"44100 Hz", "48000 Hz", "96000 Hz", "16 bits", "24 bits", "inverted", "not inverted",
		"coupled by a capacitor", "coupled directly", "hum", "no hum", "clock of its own", "shared clock"} {
		if classes[class] == 0 {
			t.Errorf("no device of class %q", class)
		}
	}
	if len(counted) != 36 {
		t.Errorf("%d readings counted; the lines have 36", len(counted))
	}
}
