package bench

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/instrument"
)

// simulated is a device with known properties. It shares no code with the stages of the engine:
// its distortion is a polynomial, and its noise comes from a generator of its own.
type simulated struct {
	gainDB      float64
	noiseDBFS   float64 // mathematical rms, white
	harmonic2DB float64 // at the tone level of the test, against the fundamental
	harmonic3DB float64
	latency     int
	inverted    bool
	dc          float64
	crosstalk   float64 // crosstalk from channel 1 into channel 2, a factor
	swap        bool
	amplitude   float64 // amplitude of the tone behind the gain at which the harmonics have their stated levels
	seed        uint64
	quantisedTo int // word length in bits; 0: not quantised
}

func (s simulated) Respond(ctx context.Context, in wave.Source, out wave.Sink) error {
	frames := int(in.(*wave.Memory).Frames())
	b := dsp.NewBlock(in.Format().Channels, frames)
	if _, err := in.Read(b); err != nil {
		return err
	}
	random := rand.New(rand.NewPCG(s.seed, 1))
	k2 := 2 * dsp.DBToAmplitude(s.harmonic2DB) / s.amplitude
	k3 := 4 * dsp.DBToAmplitude(s.harmonic3DB) / (s.amplitude * s.amplitude)
	response := dsp.NewBlock(len(b), frames+s.latency)
	for c := range b {
		gain := dsp.DBToAmplitude(s.gainDB)
		if s.inverted {
			gain = -gain
		}
		for n := range response[c] {
			y := 0.0
			if n >= s.latency {
				x := b[c][n-s.latency]
				if c == 1 {
					x += s.crosstalk * b[0][n-s.latency]
				}
				x *= gain
				y = x + k2*x*x + k3*x*x*x
			}
			y += s.dc + random.NormFloat64()*dsp.DBToAmplitude(s.noiseDBFS)
			if s.quantisedTo > 0 {
				step := math.Ldexp(1, 1-s.quantisedTo)
				y = math.Round(y/step) * step
			}
			response[c][n] = y
		}
	}
	if s.swap {
		response[0], response[1] = response[1], response[0]
	}
	return out.Write(response)
}

const shortPlan = `schema = 1
device = "A"
repeats = 1
[[test]]
name = "tone"
stimulus = "kind=tone hz=997 peak_dbfs=-20 seconds=2"
[[test]]
name = "silence"
stimulus = "kind=silence seconds=3"
[[path]]
name = "line"
kind = "line-input"
together = true
tests = ["tone", "silence"]
`

func planOf(t *testing.T, text string) *Plan {
	t.Helper()
	p, err := ReadPlan("plan.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func sheetOf(t *testing.T, p *Plan, d instrument.Device) *Sheet {
	t.Helper()
	s, err := Run(t.Context(), p, func(Condition) (instrument.Device, error) { return d, nil }, func(string, int, int) {})
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range s.Rows {
		if !IsReading(r.Reading) {
			t.Errorf("the sheet holds %s, and Readings does not list it", r.Reading)
		}
	}
	return s
}

func row(t *testing.T, s *Sheet, test, reading string) Row {
	t.Helper()
	for _, r := range s.Rows {
		if r.Test == test && r.Reading == reading {
			return r
		}
	}
	t.Fatalf("no row %s of %s; void: %v", reading, test, s.Void)
	return Row{}
}

// In at least 95 of 100 readings of random devices the planted value lies within the
// uncertainty that the sheet states, and in none is it more than four times the uncertainty
// away.
func TestRandomDevices(t *testing.T) {
	devices := 2
	if dsptest.IsExhaustive() {
		devices = 200
	}
	random := rand.New(rand.NewPCG(7, 7))
	inside, all := 0, 0
	p := planOf(t, shortPlan)
	for n := range devices {
		gain := random.Float64()*24 - 12
		s := simulated{
			gainDB: gain, amplitude: dsp.DBToAmplitude(gain - 20), noiseDBFS: -100 + 25*random.Float64(),
			harmonic2DB: -40 - 40*random.Float64(), harmonic3DB: -40 - 40*random.Float64(),
			latency: random.IntN(5000), inverted: n%2 == 1, dc: 0.01 * random.NormFloat64(), seed: uint64(n), quantisedTo: []int{0, 16, 24}[n%3],
		}
		if s.quantisedTo == 16 {
			// Rounding adds white noise of step²/12 only where the noise ahead of it has an rms
			// of 0.75 steps or more. At 0.75 steps, e^(−2π²·0.75²) = 1.5e-5 is the part that
			// still depends on the place between two steps (Widrow 1961). That is −92.8 dBFS.
			s.noiseDBFS = max(s.noiseDBFS, -92.8)
		}
		sheet := sheetOf(t, p, s)
		// The cubic term adds 3/4·k3·A² to the fundamental, three times h3. The square term is
		// the same for an inverted sine, so its sign does not show in a level.
		fundamental := dsp.AmplitudeToDB(1 + 3*dsp.DBToAmplitude(s.harmonic3DB))
		step := 0.0
		if s.quantisedTo > 0 {
			step = math.Ldexp(1, 1-s.quantisedTo)
		}
		noise := math.Hypot(dsp.DBToAmplitude(s.noiseDBFS), step/math.Sqrt(12)) // Bennett 1948
		polarity := 1.0
		if s.inverted {
			polarity = -1
		}
		for _, planted := range []struct {
			test, reading string
			value         float64
		}{
			{"tone", "latency_frames", float64(s.latency)},
			{"tone", "polarity", polarity},
			{"tone", "tone_dbfs", gain - 20 + fundamental},
			{"tone", "harmonic2_db", s.harmonic2DB - fundamental},
			{"tone", "harmonic3_db", s.harmonic3DB - fundamental},
			// White noise reaches up to 24 kHz; the measured band is 20 Hz to 20 kHz.
			{"silence", "idle_noise_rms_dbfs", dsp.AmplitudeToDB(noise) + 10*math.Log10(19980.0/24000)},
		} {
			r := row(t, sheet, planted.test, planted.reading)
			if r.Value == nil {
				t.Errorf("device %d: %s: %s", n, planted.reading, r.Reason)
				continue
			}
			off := math.Abs(*r.Value - planted.value)
			if r.AtMost { // an upper bound: the planted value may be lower
				off = max(0, planted.value-*r.Value)
			}
			all++
			if off <= r.Uncertainty {
				inside++
			}
			if off > 4*r.Uncertainty {
				t.Errorf("device %d (%+v): %s is %g ± %g, planted %g", n, s, planted.reading, *r.Value, r.Uncertainty, planted.value)
			}
		}
	}
	t.Logf("%d of %d within the stated uncertainty", inside, all)
	if float64(inside) < 0.95*float64(all)-1 {
		t.Errorf("%d of %d are within the stated uncertainty; wanted 95 %%", inside, all)
	}
}

const twoGains = `schema = 1
device = "A"
repeats = 2
[[test]]
name = "tone"
stimulus = "kind=tone hz=997 peak_dbfs=-40 seconds=2"
[[path]]
name = "mic"
kind = "microphone-input"
gains_db = [0, 20]
tests = ["tone"]
`

// Recordings may be in any order, joined, with other sound before them and cut close. Each
// stimulus is assigned to its gain, with two repeats each. A stimulus that is cut short is
// void, and missing.
func TestRecordingsInAnyOrderAreRecognised(t *testing.T) {
	p := planOf(t, twoGains)
	var parts []dsp.Block
	for _, c := range p.Conditions() {
		sound, _, err := p.Sound(c)
		if err != nil {
			t.Fatal(err)
		}
		gain := dsp.DBToAmplitude(*c.GainDB)
		for n, v := range sound[0] {
			sound[0][n] = gain * v
		}
		parts = append(parts, sound)
	}
	join := func(blocks ...dsp.Block) dsp.Block {
		random := rand.New(rand.NewPCG(1, 1))
		joined := make([]float64, 7000)
		for n := range joined { // a voice before the first recording
			joined[n] = 0.01 * random.NormFloat64()
		}
		for _, b := range blocks {
			joined = append(joined, b[0]...)
		}
		for n := range joined {
			joined[n] += 1e-5 * random.NormFloat64()
		}
		return dsp.Block{joined}
	}
	short := dsp.Block{parts[0][0][:len(parts[0][0])/2]}
	for _, tt := range dsptest.Some(2, []struct {
		name       string
		recordings []dsp.Block
		lack, void int
	}{
		{"one file, the gains in turn", []dsp.Block{join(parts[1], parts[0], parts[0], parts[1])}, 0, 0},
		{"one cut short", []dsp.Block{join(parts[1], parts[1]), join(parts[0]), join(short)}, 1, 1},
		{"files in reverse order", []dsp.Block{join(parts[1]), join(parts[1], parts[0]), join(parts[0])}, 0, 0},
		{"noise alone", []dsp.Block{join()}, 2, 1},
	}) {
		c, err := NewCollector(p)
		if err != nil {
			t.Fatal(err)
		}
		for i, r := range tt.recordings {
			c.Add(fmt.Sprintf("%d.wav", i), "", instrument.Recording{Sound: r, Rate: 48000, Bits: 24})
		}
		s := c.Sheet()
		if len(s.Missing) != tt.lack || len(s.Void) != tt.void {
			t.Errorf("%s: missing %v, void %v; wanted %d and %d", tt.name, s.Missing, s.Void, tt.lack, tt.void)
		}
		for _, r := range s.Rows {
			if r.Reading != "tone_dbfs" {
				continue
			}
			want := -40.0
			if strings.HasPrefix(r.Condition, "gain 20 dB") {
				want = -20
			}
			if math.Abs(*r.Value-want) > 0.01 { // noise 50 dB below a tone of one second changes its level by less
				t.Errorf("%s: %s: %s, want %g", tt.name, r.Condition, r, want)
			}
			if tt.lack == 0 && (len(r.Values) != 2 || r.Spread == nil) {
				t.Errorf("%s: %s: values %v; wanted two, and a spread", tt.name, r.Condition, r.Values)
			}
		}
	}
}

// A recording that was joined or cut has no latency, even where the plan states that playing
// and recording started together. An unchanged recording has one.
func TestCutRecordingsHaveNoLatency(t *testing.T) {
	dsptest.Exhaustive(t)
	p := planOf(t, strings.Replace(strings.Replace(twoGains, "repeats = 2", "repeats = 1", 1), "tests = ", "together = true\ntests = ", 1))
	first, _, err := p.Sound(p.Conditions()[0])
	if err != nil {
		t.Fatal(err)
	}
	second, _, err := p.Sound(p.Conditions()[1])
	if err != nil {
		t.Fatal(err)
	}
	noise := rand.New(rand.NewPCG(4, 1))
	read := func(frames ...float64) map[string]*float64 {
		for n := range frames {
			frames[n] += 1e-5 * noise.NormFloat64()
		}
		c, err := NewCollector(p)
		if err != nil {
			t.Fatal(err)
		}
		c.Add("it.wav", "", instrument.Recording{Sound: dsp.Block{frames}, Rate: 48000, Bits: 24})
		latency := map[string]*float64{}
		for _, r := range c.Sheet().Rows {
			if r.Reading == "latency_frames" {
				latency[r.Condition] = r.Value
				if r.Value == nil && !strings.Contains(r.Reason, "cut, joined") {
					t.Errorf("%s: %s", r.Condition, r.Reason)
				}
			}
		}
		return latency
	}
	const one, two = "gain 0 dB, 48000 Hz", "gain 20 dB, 48000 Hz"
	late := read(slices.Concat(make([]float64, 37), first[0])...)
	if late[one] == nil || math.Abs(*late[one]-37) > 0.02 { // the accuracy of a tone's marks in noise
		t.Errorf("37 frames late: %v", late)
	}
	// A wire has no latency, nor has a copied file.
	if wire := read(slices.Clone(first[0])...); wire[one] == nil || math.Abs(*wire[one]) > 0.02 {
		t.Errorf("a wire: %v, want 0", wire)
	}
	if joined := read(slices.Concat(first[0], second[0])...); joined[one] == nil || joined[two] != nil {
		t.Errorf("joined: %v; wanted a latency of the first only", joined)
	}
	if cut := read(first[0][2000:]...); cut[one] != nil {
		t.Errorf("cut by 2000 frames at its begin: latency %v", *cut[one])
	}
}

func TestSwappedChannelsAreInTheSheet(t *testing.T) {
	p := planOf(t, strings.NewReplacer(`kind=tone hz=997 peak_dbfs=-20 seconds=2`, `kind=tone hz=997 peak_dbfs=-20 seconds=2 channels=2`, `seconds=3`, `seconds=3 channels=2`, `kind = "line-input"`, `kind = "loopback"
channels = 2`).Replace(shortPlan))
	s := sheetOf(t, p, simulated{amplitude: 0.1, harmonic2DB: -90, harmonic3DB: -90, noiseDBFS: -100, swap: true})
	if len(s.Void) == 0 || !strings.Contains(s.Void[0].What, "another channel") {
		t.Errorf("void: %v; wanted swapped channels", s.Void)
	}
}

// Faults of a plan are reported with their line and a suggestion.
func TestPlanFaults(t *testing.T) {
	for found, edit := range map[string][2]string{
		"did you mean response?": {`tests = ["tone", "silence"]`, `tests = ["respose"]`},
		"plan.toml:14:8: name: \"low\" is also the name of the test in line 11": {"[[path]]", "[[test]]\nname = \"low\"\nstimulus = \"kind=tone hz=100\"\n[[test]]\nname = \"low\"\nstimulus = \"kind=tone hz=90\"\n[[path]]"},
		"did you mean line-input":          {`kind = "line-input"`, `kind = "line-inptu"`},
		"did you mean gains_db?":           {"together = true", "gain_db = [1]"},
		"2 levels for 0 gains":             {"together = true", "level_dbfs = [-20, -30]"},
		"input-noise without":              {`tests = ["tone", "silence"]`, `tests = ["input-noise"]`},
		"did you mean dynamic_range_a_db?": {"[[path]]", "[[claim]]\ndynamic_range_a = { min = 1 }\n[[path]]"},
		"did you mean why?":                {"[[path]]", "[[claim]]\nwhi = \"x\"\nlatency_ms = { max = 1 }\n[[path]]"},
		"no reading":                       {"[[path]]", "[[claim]]\nwhy = \"x\"\n[[path]]"},
		"did you mean line?":               {"[[path]]", "[[claim]]\npath = \"lin\"\nlatency_ms = { max = 1 }\n[[path]]"},
		"did you mean tone?":               {"[[path]]", "[[claim]]\ntest = \"tnoe\"\nlatency_ms = { max = 1 }\n[[path]]"},
		"0 twice":                          {"together = true", "gains_db = [0, 10, 0.0]"},
		"48000 twice":                      {"together = true", "rates_hz = [48000, 44100, 48000]"},
		"tone twice":                       {`tests = ["tone", "silence"]`, `tests = ["tone", "silence", "tone"]`},
		"a second path":                    {"[[path]]", "[[path]]\nname = \"line\"\nkind = \"loopback\"\ntests = [\"response\"]\n[[path]]"},
	} {
		_, err := ReadPlan("plan.toml", []byte(strings.Replace(shortPlan, edit[0], edit[1], 1)))
		fault, is := err.(*tomlfile.FileError)
		if !is || !strings.Contains(err.Error(), found) || fault.Problems[0].Line == 0 {
			t.Errorf("%q: %v", found, err)
		}
	}
}

func TestStartersCanBePlanned(t *testing.T) {
	for _, name := range Starters() {
		p, err := ReadPlan(name, Starter(name))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		seen := map[uint32]string{}
		for _, c := range p.Conditions() {
			for _, i := range p.Items(c) {
				code := i.Stimulus.Code()
				if other := seen[code]; other != "" {
					t.Errorf("%s: %s and %s, %s have one code", name, other, c, i.Test)
				}
				seen[code] = c.String() + ", " + i.Test
			}
		}
	}
}

// Every cue sheet has the cautions about hearing, tweeters, phantom power and mains, and one
// for each condition. Every kind of path has a caution.
func TestCautionsOnEveryCueSheet(t *testing.T) {
	for _, name := range dsptest.Some(0, Starters()) { // a cue sheet makes every sound to find its length
		p, err := ReadPlan(name, Starter(name))
		if err != nil {
			t.Fatal(err)
		}
		text, err := p.CueSheet()
		if err != nil {
			t.Fatal(err)
		}
		for _, word := range []string{"Hearing:", "Tweeters:", "Phantom power:", "Mains:", "Local rules"} {
			if !strings.Contains(text, word) {
				t.Errorf("%s: no %q", name, word)
			}
		}
		if got, want := strings.Count(text, "   Caution: "), len(p.Conditions()); got != want {
			t.Errorf("%s: %d cautions for %d conditions", name, got, want)
		}
	}
	for _, kind := range PathKinds() {
		if len(cautionOf[kind]) < 20 {
			t.Errorf("%s: caution %q", kind, cautionOf[kind])
		}
	}
}

// A noise of -86 dBu behind 40 dB of gain is -126 dBu at the input. A noise below the thermal
// noise of 150 ohm over 20 kHz (-130.9 dBu: common practice) is impossible.
func TestImpossibleInputNoiseIsAFinding(t *testing.T) {
	p := planOf(t, `schema = 1
device = "A"
[[path]]
name = "mic"
kind = "microphone-input"
gains_db = [40]
source_ohm = 150
calibration = "0 dBFS = +18 dBu"
tests = ["input-noise"]
`)
	// -86 dBu is -104 dBFS relative to a full-scale sine. That is -107.01 dBFS mathematical rms
	// in the band, and 0.796 dB more over the whole spectrum.
	s := sheetOf(t, p, simulated{amplitude: 0.1, harmonic2DB: -90, harmonic3DB: -90, noiseDBFS: -104 - 3.0103 + 0.796, seed: 3})
	r := row(t, s, "input-noise", "equivalent_input_noise_dbu")
	if math.Abs(*r.Value - -126) > 0.1 { // 9 s of noise: ±0.04 dB
		t.Errorf("%s; wanted -126 dBu", r)
	}
	if figure := row(t, s, "input-noise", "noise_figure_db"); math.Abs(*figure.Value-4.9) > 0.15 {
		t.Errorf("noise figure %s; wanted 4.9 dB", figure)
	}
	impossible := func(s *Sheet) (n int) {
		for _, f := range s.Findings {
			if strings.Contains(f.What, "-130.9 dBu: that is impossible") {
				n++
			}
		}
		return n
	}
	if n := impossible(s); n != 0 {
		t.Errorf("%d findings of an impossible noise: %v", n, s.Findings)
	}
	// 3 dB below the thermal noise: the plan states a gain that was not set.
	s = sheetOf(t, p, simulated{amplitude: 0.1, harmonic2DB: -90, harmonic3DB: -90, noiseDBFS: -104 - 3.0103 + 0.796 - 7.9, seed: 3})
	if n := impossible(s); n != 1 {
		t.Errorf("%d findings of an impossible noise, want 1 (that of the A-weighted one has another figure): %v", n, s.Findings)
	}
}

func compareSheets(t *testing.T, devices ...simulated) []Comparison {
	t.Helper()
	var sheets []*Sheet
	for i, d := range devices {
		s := sheetOf(t, planOf(t, shortPlan), d)
		s.Device = string(rune('A' + i))
		text, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		name := filepath.Join(t.TempDir(), "sheet.json")
		if err := os.WriteFile(name, text, 0o600); err != nil {
			t.Fatal(err)
		}
		if s, err = LoadSheet(name); err != nil {
			t.Fatal(err)
		}
		sheets = append(sheets, s)
	}
	return Compare(sheets)
}

func comparison(t *testing.T, all []Comparison, reading string) Comparison {
	t.Helper()
	for _, c := range all {
		if c.Reading == reading {
			return c
		}
	}
	t.Fatalf("no comparison of %s", reading)
	return Comparison{}
}

// Two devices differ only in noise: the noisier one is not the best. Values that differ by no
// more than their uncertainties are equal. Readings of different stimuli cannot be compared.
func TestCompare(t *testing.T) {
	dsptest.Exhaustive(t)
	a := simulated{amplitude: 0.1, harmonic2DB: -60, harmonic3DB: -70, noiseDBFS: -90, seed: 1}
	b := a
	b.noiseDBFS, b.seed = -84, 2
	all := compareSheets(t, a, b)
	if c := comparison(t, all, "idle_noise_a_dbfs"); c.Equal || !c.Best[0] || c.Best[1] || c.Why != "" {
		t.Errorf("noise: %+v; wanted the first the best", c)
	}
	if c := comparison(t, all, "harmonic2_db"); !c.Equal {
		t.Errorf("second harmonic: %s and %s; wanted equal", c.Rows[0], c.Rows[1])
	}
	sheets := []*Sheet{sheetOf(t, planOf(t, shortPlan), a), sheetOf(t, planOf(t, strings.Replace(shortPlan, "hz=997", "hz=440", 1)), a)}
	if c := comparison(t, Compare(sheets), "thd_plus_noise_db"); !strings.Contains(c.Why, "stimulus differs") {
		t.Errorf("why: %q; wanted the stimulus", c.Why)
	}
}

// A bound states its uncertainty as text, with one digit or more.
func TestStatedUncertainty(t *testing.T) {
	for bound, want := range map[string]float64{
		"": 0, "exact": 0, "±3 dB, by noise": 3, "±0.81 dB, x; ±0.4 dB by y": 1.21, "±1.5e-05 ppm": 1.5e-5, "±2e+01 dB": 20,
	} {
		if got := stated(bound); math.Abs(got-want) > 1e-12 {
			t.Errorf("%q: %g, want %g", bound, got, want)
		}
	}
}

// A value much smaller than its uncertainty prints as 0; other values keep their digits.
func TestValuesFarBelowTheirUncertaintyPrintAsZero(t *testing.T) {
	for _, c := range []struct {
		value, uncertainty float64
		text               string
	}{
		{-0.000012, 0.02, "0.00 dB ±0.02"},
		{0.0034, 0.02, "0.0030 dB ±0.02"},
		{-0.0312, 0.02, "-0.031 dB ±0.02"},
		{0.000012, 0, "0.000012 dB"},
	} {
		r := Row{Unit: "dB", Value: &c.value, Uncertainty: c.uncertainty}
		if r.String() != c.text {
			t.Errorf("%g ± %g prints as %q, want %q", c.value, c.uncertainty, r.String(), c.text)
		}
	}
}
