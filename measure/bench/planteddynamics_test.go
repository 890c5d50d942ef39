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
	"github.com/boothbench/boothbench/measure/stimulus"
)

// simulatedProcessor attenuates levels over a threshold. Its curve has a quadratic knee
// (Giannoulis, Massberg and Reiss 2012); its detector is the largest |sample| of the last 0.6
// ms. The gain in dB follows by a one-pole smoother, with one time for attack and one for
// release. It shares no code with the engine.
type simulatedProcessor struct {
	thresholdDBFS, slope, kneeDB float64 // slope: dB less for each dB over the threshold; 1: a limiter
	attackMs, releaseMs          float64
	makeUpDB                     float64
	latency, rate, bits          int
	inverted                     bool
	noise                        float64 // rms, behind the gain
	seed                         uint64
}

// curveDB returns the gain in dB at a level.
func (s simulatedProcessor) curveDB(level float64) float64 {
	switch over := level - s.thresholdDBFS; {
	case over <= -s.kneeDB/2:
		return 0
	case over >= s.kneeDB/2:
		return -s.slope * over
	default:
		return -s.slope * (over + s.kneeDB/2) * (over + s.kneeDB/2) / (2 * s.kneeDB)
	}
}

func (s simulatedProcessor) Respond(_ context.Context, in wave.Source, out wave.Sink) error {
	sent := dsp.NewBlock(in.Format().Channels, int(in.(*wave.Memory).Frames()))
	if _, err := in.Read(sent); err != nil {
		return err
	}
	random := rand.New(rand.NewPCG(s.seed, 6))
	response := dsp.NewBlock(len(sent), sent.Frames()+s.latency)
	window := int(0.0006 * float64(s.rate))
	attack, release := 1-math.Exp(-1000/(s.attackMs*float64(s.rate))), 1-math.Exp(-1000/(s.releaseMs*float64(s.rate)))
	step := math.Ldexp(1, 1-s.bits)
	for c := range sent {
		gain, largest, left := 0.0, 1e-9, 0
		for n, x := range sent[c] {
			switch size := math.Abs(x); {
			case size >= largest:
				largest, left = size, window
			case left > 0:
				left--
			default: // the largest sample has left the window
				largest = 1e-9
				for k := max(0, n-window); k <= n; k++ {
					if size := math.Abs(sent[c][k]); size >= largest {
						largest, left = size, window-(n-k)
					}
				}
			}
			target := s.curveDB(20 * math.Log10(largest))
			if target < gain {
				gain += (target - gain) * attack
			} else {
				gain += (target - gain) * release
			}
			y := x * math.Pow(10, (gain+s.makeUpDB)/20)
			if s.inverted {
				y = -y
			}
			response[c][n+s.latency] = y
		}
		for n, y := range response[c] {
			y += s.noise * random.NormFloat64()
			response[c][n] = math.Round(y/step+random.Float64()-random.Float64()) * step
		}
	}
	return out.Write(response)
}

const dynamicsPlan = `schema = 1
device = "A"
[[test]]
name = "curve"
stimulus = "kind=stepped-tone hz=997 from_dbfs=-50 to_dbfs=-6 step_db=STEP step_seconds=0.5"
[[test]]
name = "times"
stimulus = "kind=level-step hz=6000 low_dbfs=-40 high_dbfs=-6 before_seconds=0.5 during_seconds=0.5 after_seconds=1.5"
[[path]]
name = "processor"
kind = "processor"
level_dbfs = -6
together = true
tests = ["curve", "times"]
`

// The measured curve and times of random voice processors and limiters are the planted ones.
func TestPlantedDynamics(t *testing.T) {
	devices, text := 1, strings.Replace(dynamicsPlan, "from_dbfs=-50 to_dbfs=-6 step_db=STEP step_seconds=0.5", "from_dbfs=-40 to_dbfs=-6 step_db=2 step_seconds=0.4", 1)
	if dsptest.IsExhaustive() {
		devices, text = 12, dynamicsPlan
	}
	random := rand.New(rand.NewPCG(12, 15))
	uniform := func(from, to float64) float64 { return from + (to-from)*random.Float64() }
	counted := tallies{}
	for n := range devices {
		s := simulatedProcessor{
			thresholdDBFS: uniform(-32, -18), slope: 1 - 1/math.Exp(uniform(math.Log(1.5), math.Log(10))), kneeDB: uniform(0, 12),
			attackMs: math.Exp(uniform(math.Log(0.5), math.Log(30))), releaseMs: math.Exp(uniform(math.Log(30), math.Log(150))), makeUpDB: uniform(0, 6),
			latency: random.IntN(2000), rate: []int{48000, 44100, 96000}[n%3], bits: []int{24, 16}[random.IntN(2)], inverted: random.IntN(2) == 1,
			noise: dsp.DBToAmplitude(uniform(-110, -90)), seed: uint64(n),
		}
		if n%3 == 2 { // a limiter
			s.slope, s.makeUpDB, s.kneeDB = 1, 0, uniform(0, 2)
		}
		if random.IntN(3) == 0 {
			s.kneeDB = uniform(0, 2) // too narrow for steps of 2 and 3 dB to resolve
		}
		p := planOf(t, strings.ReplaceAll(text, "STEP", fmt.Sprint(1+n/3%3)))
		p.Paths[0].RatesHz = []int{s.rate}
		counted.addDynamics(t, n, s, sheetOf(t, p, s), "curve", "times", -40, -6)
	}
	counted.judge(t)
}

// addDynamics counts the readings of a device's curve and times in a sheet; curve and times are
// the names of their tests.
func (all tallies) addDynamics(t *testing.T, n int, s simulatedProcessor, sheet *Sheet, curve, times string, lowDBFS, highDBFS float64) {
	t.Helper()
	high, low := s.curveDB(highDBFS), s.curveDB(lowDBFS)
	planted := []plantedReading{
		{curve, "plateau_gain_db", s.makeUpDB},
		{curve, "compression_threshold_dbfs", s.thresholdDBFS},
		{curve, "compression_slope", 1 - s.slope},
		{curve, "compression_knee_db", s.kneeDB},
		{times, "attack_ms", s.attackMs},
		{times, "attack_10_90_ms", math.Log(9) * s.attackMs},
		{times, "attack_change_db", high - low},
		{times, "release_ms", s.releaseMs},
		{times, "release_10_90_ms", math.Log(9) * s.releaseMs},
		{times, "step_overshoot_db", low - high},
		{curve, "latency_frames", float64(s.latency)},
	}
	if s.slope < 1 {
		planted = append(planted, plantedReading{curve, "compression_ratio", 1 / (1 - s.slope)})
	}
	for _, want := range planted {
		at := slices.IndexFunc(sheet.Rows, func(r Row) bool {
			return (r.Test == want.condition || want.reading == "latency_frames") && r.Reading == want.reading
		})
		if at < 0 || sheet.Rows[at].Value == nil {
			t.Errorf("device %d (%+v): no %s: %v", n, s, want.reading, sheet.Void)
			continue
		}
		all.add(t, n, want.condition, want, sheet.Rows[at])
	}
}

// The starter plans of a voice processor and a limiter are run unchanged with planted devices:
// nothing is missing or void, and curve and times are the planted ones.
func TestStartersOnPlantedDynamics(t *testing.T) {
	dsptest.Exhaustive(t)
	counted := tallies{}
	for n, c := range []struct {
		starter string
		device  simulatedProcessor
	}{
		{"voice-processor", simulatedProcessor{thresholdDBFS: -27.3, slope: 1 - 1/3.4, kneeDB: 5.2, attackMs: 6.1, releaseMs: 83, makeUpDB: 3.3, latency: 731, rate: 48000, bits: 24, noise: dsp.DBToAmplitude(-100)}},
		{"voice-processor", simulatedProcessor{thresholdDBFS: -31.1, slope: 1 - 1/1.8, kneeDB: 9.6, attackMs: 17, releaseMs: 120, makeUpDB: 1.4, latency: 64, rate: 48000, bits: 24, inverted: true, noise: dsp.DBToAmplitude(-95)}},
		{"limiter", simulatedProcessor{thresholdDBFS: -26, slope: 1, kneeDB: 1.7, attackMs: 1.3, releaseMs: 61, latency: 96, rate: 48000, bits: 24, noise: dsp.DBToAmplitude(-105)}},
	} {
		p, err := ReadPlan(c.starter+".toml", Starter(c.starter))
		if err != nil {
			t.Fatal(err)
		}
		sheet := sheetOf(t, p, c.device)
		if len(sheet.Missing) > 0 || len(sheet.Void) > 0 {
			t.Errorf("%s: missing %v, void %v", c.starter, sheet.Missing, sheet.Void)
		}
		step := stimulus.StandardLevelStep(p.Paths[len(p.Paths)-1].LevelDBFS[0])
		counted.addDynamics(t, n, c.device, sheet, "static-curve", "attack-release", step.LowDBFS, step.HighDBFS)
		if c.starter != "limiter" {
			continue
		}
		// The expected overshoot is found without an instrument: the largest |sample| of the
		// output between the marks, relative to the ceiling.
		want := worstSample(t, p, c.device)
		if want < 3 {
			t.Errorf("an attack of 1.3 ms without look-ahead lets samples pass by %.2f dB only", want)
		}
		if r := row(t, sheet, overshootTest, "overshoot_sample_db"); math.Abs(*r.Value-want) > r.Uncertainty {
			t.Errorf("limiter: %s of %g ± %g dB, planted %g", r.Reading, *r.Value, r.Uncertainty, want)
		}
	}
	counted.judge(t)
}

// worstSample returns by how many dB a limiter's largest output sample exceeds the ceiling,
// over all stress signals of a plan.
func worstSample(t *testing.T, p *Plan, d simulatedProcessor) float64 {
	t.Helper()
	most := math.Inf(-1)
	for _, condition := range p.Conditions() {
		for _, item := range p.Items(condition) {
			stress, is := item.Stimulus.Signal.(stimulus.LimiterStress)
			if !is {
				continue
			}
			sent, err := stress.Make(d.rate)
			if err != nil {
				t.Fatal(err)
			}
			played, _, err := item.Stimulus.Make()
			if err != nil {
				t.Fatal(err)
			}
			response, err := instrument.Respond(t.Context(), d, d.rate, played)
			if err != nil {
				t.Fatal(err)
			}
			l := stimulus.LayoutOf(d.rate, sent.Frames())
			for _, plane := range response {
				for _, y := range plane[l.Signal+d.latency : l.SignalEnd+d.latency] {
					most = max(most, dsp.AmplitudeToDB(math.Abs(y))-*item.Path.CeilingDBTP)
				}
			}
		}
	}
	return most
}
