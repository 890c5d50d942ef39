package instrument

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/measuretest"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// gained is a device with a gain in dB, in closed form for every frame of its one stimulus. It
// delays by some frames and rounds to 24 bits.
type gained struct {
	gain func(channel, frame int) float64
	late int
}

func (g gained) Respond(_ context.Context, played wave.Source, response wave.Sink) error {
	sound, ok := played.(*wave.Memory)
	if !ok {
		return fmt.Errorf("%T", played)
	}
	planes := sound.Planes()
	out := dsp.NewBlock(len(planes), planes.Frames()+g.late)
	for c := range planes {
		for n, x := range planes[c] {
			y := x * math.Pow(10, g.gain(c, n)/20)
			out[c][n+g.late] = math.Round(y*(1<<23)) / (1 << 23)
		}
	}
	return response.Write(out)
}

// Static curves in closed form: the quadratic knee of Giannoulis, Massberg and
// Reiss (JAES 60(6) 2012, eq. 4) and its mirror image, with a range.
func TestStaticCurveOfCompressorsAndExpanders(t *testing.T) {
	if testing.Short() {
		t.Skip("long")
	}
	type side struct{ threshold, slope, knee, limit float64 }
	fall := func(s side, past float64) float64 {
		switch {
		case 2*past <= -s.knee:
			return 0
		case 2*past < s.knee:
			return min(s.limit, s.slope*math.Pow(past+s.knee/2, 2)/(2*s.knee))
		}
		return min(s.limit, s.slope*past)
	}
	none := side{threshold: math.Inf(1), limit: math.Inf(1)}
	inf := math.Inf(1)
	for _, c := range []struct {
		name      string
		plateau   float64
		loud      side
		quiet     side
		expansion bool
	}{
		{"compressor 3:1, knee 6", 4, side{-24, 1 - 1/3.0, 6, inf}, none, false},
		{"compressor 4:1, no knee", 0, side{-30.3, 0.75, 0, inf}, none, false},
		{"compressor 1.5:1, knee 20", -2, side{-25, 1 / 3.0, 20, inf}, none, false},
		{"limiter", 0, side{-12, 1, 0, inf}, none, false},
		{"expander 1:2, range 12", 0, none, side{-40, 1, 0, 12}, true},
		{"expander 1:3, knee 8, range 30", 0, none, side{-30, 2, 8, 30}, true},
		{"gate and compressor", 1, side{-20, 0.5, 3, inf}, side{-45, 9, 0, 20}, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			tone := stimulus.SteppedTone{Hz: 997, FromDBFS: -60, ToDBFS: 0, StepDB: 1, StepSeconds: 0.2}
			levels := tone.Levels()
			device := gained{late: 480, gain: func(_, n int) float64 {
				_, length := tone.Step(0, 48000)
				level := levels[min(n/length, len(levels)-1)]
				g := c.plateau
				if c.loud != none {
					g -= fall(c.loud, level-c.loud.threshold)
				}
				if c.quiet != none {
					g -= fall(c.quiet, c.quiet.threshold-level)
				}
				return g
			}}
			r, err := Run(context.Background(), device, StaticCurve{Tone: tone}, 48000)
			if err != nil {
				t.Fatal(err)
			}
			// The tolerances are the stated accuracy: 0.05 dB, and 1 % of a ratio. An error of
			// the knee moves the curve by slope/8 of it: 0.4 dB are 0.05.
			measuretest.WantReading(t, r, "plateau_gain_db", c.plateau, 0.05)
			measuretest.WantReading(t, r, "curve_error_db", 0, 0.05)
			measuretest.WantReading(t, r, "unsettled_steps", 0, 0)
			if c.loud == none {
				measuretest.WantNoReading(t, r, "compression_threshold_dbfs", "compression_ratio", "compression_knee_db")
			} else {
				measuretest.WantReading(t, r, "compression_threshold_dbfs", c.loud.threshold, 0.05)
				// For a corner 0.3 dB beside a step, a knee of 0.6 dB fits as well.
				if knee, _ := r.Get("compression_knee_db"); c.loud.knee == 0 && strings.Contains(knee.Bound, "upper bound") {
					measuretest.WantReading(t, r, "compression_knee_db", 0.6, 0.05)
				} else {
					measuretest.WantReading(t, r, "compression_knee_db", c.loud.knee, 0.4)
				}
				measuretest.WantReading(t, r, "compression_slope", 1-c.loud.slope, 0.01*max(0.1, 1-c.loud.slope))
				if ratio := 1 / (1 - c.loud.slope); math.IsInf(ratio, 0) {
					measuretest.WantNoReading(t, r, "compression_ratio")
				} else {
					measuretest.WantReading(t, r, "compression_ratio", ratio, 0.01*ratio)
				}
			}
			if c.quiet == none {
				measuretest.WantNoReading(t, r, "expansion_threshold_dbfs", "expansion_ratio", "expansion_range_db", "hysteresis_db")
				return
			}
			measuretest.WantReading(t, r, "expansion_threshold_dbfs", c.quiet.threshold, 0.05)
			measuretest.WantReading(t, r, "expansion_ratio", 1+c.quiet.slope, 0.01*(1+c.quiet.slope))
			measuretest.WantReading(t, r, "expansion_range_db", c.quiet.limit, 0.05)
		})
	}
}

// A curve that still falls at its end has no range, one whose gain falls later on the way down
// has a hysteresis, and one that does not settle is reported.
func TestStaticCurveHysteresisAndUnsettledGains(t *testing.T) {
	tone := stimulus.SteppedTone{Hz: 997, FromDBFS: -60, ToDBFS: -20, StepDB: 1, StepSeconds: 0.2, Back: true}
	levels := tone.Levels()
	_, length := tone.Step(0, 48000)
	threshold := func(n int) float64 { // 6 dB lower on the way down
		if n >= length*len(levels)/2 {
			return -46
		}
		return -40
	}
	device := gained{gain: func(_, n int) float64 {
		level := levels[min(n/length, len(levels)-1)]
		return min(0, level-threshold(n))
	}}
	run := func(d Device, i Instrument) measure.Readings {
		r, err := Run(context.Background(), d, i, 48000)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	r := run(device, StaticCurve{Tone: tone, Declared: func(level float64) float64 { return min(0, level+39.5) }})
	measuretest.WantReading(t, r, "hysteresis_db", 6, 0.01)
	if h, _ := r.Get("hysteresis_db"); !regexp.MustCompile(`^±[0-9.]+ dB, one step of the tone$`).MatchString(h.Bound) {
		t.Errorf("hysteresis_db does not state what it is read to: %q", h.Bound)
	}
	measuretest.WantReading(t, r, "expansion_ratio", 2, 0.02)
	measuretest.WantReading(t, r, "curve_deviation_db", 0.5, 0.01) // from what was declared
	measuretest.WantNoReading(t, r, "expansion_range_db")
	drifting := gained{gain: func(_, n int) float64 { return float64(n) * 1e-5 }}
	if got, _ := run(drifting, StaticCurve{Tone: tone}).Get("unsettled_steps"); got.Value != float64(len(levels)/2) {
		t.Errorf("%v unsettled of %d", got, len(levels)/2)
	}
	silent := gained{gain: func(int, int) float64 { return math.Inf(-1) }}
	measuretest.WantNoReading(t, run(silent, StaticCurve{Tone: tone}), "plateau_gain_db", "curve_error_db", "compression_ratio")
	measuretest.WantNoReading(t, run(silent, DetectorType{Tones: stimulus.StandardCrestTones(-20)}), "detector_crest_db")
	if _, err := Run(context.Background(), silent, StepResponse{Step: stimulus.StandardLevelStep(-20)}, 48000); err == nil {
		t.Error("silence is taken for a step of level")
	}
}

// An rms detector gives a pair of tones the gain of the sine with the same rms. A peak detector
// gives it the gain of the sine with the same peak, 3.01 dB higher: the crest factors are 2 for
// two equal tones and √2 for a sine (closed form).
func TestDetectorType(t *testing.T) {
	for _, crest := range []float64{0, 1.5, 10 * math.Log10(2)} {
		tones := stimulus.StandardCrestTones(-20)
		_, length := tones.Step(0, 44100)
		device := gained{late: 100, gain: func(_, n int) float64 {
			i := min(n/length, len(stimulus.CrestSteps()))
			if i == 0 {
				return -0.5 * (20 + crest)
			}
			return -0.5 * (20 + stimulus.CrestSteps()[i-1])
		}}
		r, err := Run(context.Background(), device, DetectorType{Tones: tones}, 44100)
		if err != nil {
			t.Fatal(err)
		}
		measuretest.WantReading(t, r, "detector_crest_db", crest, 0.01) // the levels are read within 0.001 dB
	}
}

// Exponentials in closed form: τ, τ·ln 9 from 10 to 90 %, τ·ln(change/2) to within 2 dB. The
// tolerance is 1 % and two frames.
func TestStepTimesOfExponentials(t *testing.T) {
	if testing.Short() {
		t.Skip("long")
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for _, c := range dsptest.Some(3, []struct{ attack, release, hold, ahead, low, high float64 }{
		{5, 100, 0, 0, 0, -8},
		{0.5, 30, 20, 1, 3, -9},
		{1, 150, 80, 2, -30, 0}, // an expander: it opens
		{20, 300, 50, 5, 0, -3},
		{100, 1000, 0, 0, 0, -20},
		{0.2, 10, 0, 0, 0, -6},
	}) {
		rate := []int{44100, 48000, 96000}[rng.IntN(3)]
		frames := func(ms float64) float64 { return ms * float64(rate) / 1000 }
		step := stimulus.LevelStep{Hz: 6000, LowDBFS: -30, HighDBFS: -10, BeforeSeconds: 0.5, DuringSeconds: max(0.5, c.attack/60), AfterSeconds: max(1, c.release/60)}
		up, down := step.Steps(rate)
		change := c.high - c.low
		device := gained{late: 77, gain: func(_, n int) float64 {
			at := func(since, tau float64) float64 { return 1 - math.Exp(-max(0, since)/frames(tau)) }
			high := at(float64(n-up)+frames(c.ahead)+1, c.attack)
			back := at(float64(n-down)-frames(c.hold)+1, c.release)
			return c.low + change*high*(1-back)
		}}
		r, err := Run(context.Background(), device, StepResponse{Step: step}, rate)
		if err != nil {
			t.Fatal(err)
		}
		// Two frames between two points of the gain; from the step, half a period as well, over
		// which the envelope is measured. A change of 0.1 % takes 0.001 τ.
		two, half := 2000/float64(rate), 1000*float64(step.Period(rate)/2)/float64(rate)
		check := func(name string, want float64) {
			t.Helper()
			measuretest.WantReading(t, r, name, want, 0.01*math.Abs(want)+two)
		}
		fromStep := func(name string, want float64) {
			t.Helper()
			measuretest.WantReading(t, r, name, want, 0.01*math.Abs(want)+half)
		}
		check("attack_ms", c.attack)
		check("attack_10_90_ms", c.attack*math.Log(9))
		fromStep("attack_begins_ms", c.attack*0.001-c.ahead)
		fromStep("attack_within_2db_ms", c.attack*math.Log(math.Abs(change)/2)-c.ahead)
		check("release_ms", c.release)
		check("release_10_90_ms", c.release*math.Log(9))
		fromStep("release_begins_ms", c.release*0.001+c.hold)
		fromStep("release_within_2db_ms", c.release*math.Log(math.Abs(change)/2)+c.hold)
		measuretest.WantReading(t, r, "attack_change_db", change, 0.02) // rounding to 24 bits at −30 dBFS
		measuretest.WantReading(t, r, "release_change_db", -change, 0.02)
		if c.ahead == 0 && change < 0 && c.attack >= 5 {
			measuretest.WantReading(t, r, "step_overshoot_db", -change, 0.02*-change) // half a period of the shortest attack
		}
	}
}

// A constant gain has no times, but a change of 0 dB.
func TestStepResponseOfAConstantGain(t *testing.T) {
	step := stimulus.StandardLevelStep(-20)
	r, err := Run(context.Background(), gained{gain: func(int, int) float64 { return -3 }}, StepResponse{Step: step}, 48000)
	if err != nil {
		t.Fatal(err)
	}
	measuretest.WantNoReading(t, r, "attack_ms", "attack_10_90_ms", "attack_within_2db_ms", "release_ms", "release_begins_ms")
	measuretest.WantReading(t, r, "attack_change_db", 0, 0.001)
}

func TestChannelGainDifference(t *testing.T) {
	tones := stimulus.StandardLinkTones(-20)
	r, err := Run(context.Background(), gained{gain: func(c, _ int) float64 { return -6 + 2.5*float64(c) }}, ChannelLink{Tones: tones}, 48000)
	if err != nil {
		t.Fatal(err)
	}
	measuretest.WantReading(t, r, "channel_gain_difference_db", -2.5, 0.001) // rounding to 24 bits
}
