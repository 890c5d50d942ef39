package proof

import (
	"context"
	"fmt"
	"math"
	"slices"
	"sync"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/proof/model"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Synthetic speech through a device and through the model of its settings: order, a stage
// left out, times, linking and a single lost sample, which steady tones do not show, all
// make a difference between the two.

const (
	programmePeakDBFS = -6
	programmeSeconds  = 4
	// traceMs is the length of the windows in which levels are compared.
	traceMs = 10
	// traceFloorDB is how far under the loudest window a window still counts: the rounding
	// of 32-bit floating point is another 60 dB lower.
	traceFloorDB = 60
)

// follows are the readings of a response against a model's: programme_level_db, the
// level of the one over that of the other; programme_gain_trace_db, the largest such
// difference in a window; programme_residual_db, what is left of the difference; and
// programme_largest_difference_dbfs, its largest sample.
func follows(rate int, got, want dsp.Block) (measure.Readings, error) {
	if len(got) != len(want) {
		return nil, fmt.Errorf("found a response of %s; accepted: %d, as the model has", dsp.Plural(len(got), "channel"), len(want))
	}
	got = slices.Clone(got)
	for c := range got { // what did not come back counts as silence
		got[c] = append(slices.Clip(got[c]), make([]float64, max(0, len(want[c])-len(got[c])))...)
	}
	window := max(1, dsp.Frames(traceMs, rate))
	var power, expected, rest, largest float64
	at, in := int64(-1), -1
	loudest := 0.0
	type pair struct {
		got, want float64
		frame     int64
		channel   int
	}
	var windows []pair
	for c, plane := range want {
		for from := 0; from < len(plane); from += window {
			w := pair{frame: int64(from), channel: c}
			for n := from; n < min(from+window, len(plane)); n++ {
				g, v := got[c][n], plane[n]
				w.got += g * g
				w.want += v * v
				rest += (g - v) * (g - v)
				if d := math.Abs(g - v); d > largest {
					largest, at, in = d, int64(n), c
				}
			}
			power, expected, loudest = power+w.got, expected+w.want, max(loudest, w.want)
			windows = append(windows, w)
		}
	}
	if expected == 0 {
		return nil, fmt.Errorf("the model is silent")
	}
	worst := pair{1, 1, -1, -1}
	trace := measure.Reading{Unit: "dB", Reference: "the model's level in that window",
		Definition: fmt.Sprintf("largest difference of level in a window of %d ms, of those within %d dB of the loudest", traceMs, traceFloorDB)}
	for _, w := range windows {
		if w.want > loudest*dsp.DBToPower(-traceFloorDB) && math.Abs(math.Log(w.got/w.want)) > math.Abs(math.Log(worst.got/worst.want)) {
			worst = w
		}
	}
	var r measure.Readings
	r.AddLevel("programme_level_db", power/expected, measure.Reading{Unit: "dB", Reference: "the model's level", Definition: "rms of the response over the model's"})
	if worst.got == 0 { // the level of silence must not read as a difference of 0 dB
		trace.Reason, trace.Beyond = fmt.Sprintf("silent for %d ms from %s (frame %d), where the model is %.0f dB under its loudest", traceMs,
			measure.TimeCode(worst.frame, rate), worst.frame, dsp.PowerToDB(loudest/worst.want)), -1
	}
	r.AddLevel("programme_gain_trace_db", worst.got/worst.want, trace)
	r[len(r)-1].Frame, r[len(r)-1].Channel = worst.frame, worst.channel
	r.AddLevel("programme_residual_db", rest/expected, measure.Reading{Unit: "dB", Reference: "the model's level", Definition: "rms of the response less the model's, sample by sample"})
	r.AddLevel("programme_largest_difference_dbfs", largest*largest, measure.Reading{Unit: "dBFS", Reference: "digital full scale, peak", Definition: "largest |sample| of that difference"})
	r[len(r)-1].Frame, r[len(r)-1].Channel = at, in
	return r, nil
}

// programme is a device's settings and the sounds that they are tried with.
type programme struct {
	chain    model.Chain
	channels int

	mu     sync.Mutex
	played map[float64]*played // by how far they come over a ceiling
}

// played is a sound and the model's output for it.
type played struct {
	sound, response dsp.Block
	rate            int
}

// idle is a level in dB re the ceiling at which no limiter works, nor its verification,
// which reads dense sound up to a decibel higher than the limiter.
const idle = -1.5

// sound is the programme, at a level at which its largest true peak exceeds the ceiling of a
// limiter by overDB (at programmePeakDBFS without a limiter), and the model's response.
func (p *programme) sound(rate int, overDB float64) (*played, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if made := p.played[overDB]; made != nil && made.rate == rate {
		return made, nil
	}
	peakDBFS := float64(programmePeakDBFS)
	for try := 0; ; try++ {
		sound, err := stimulus.SpeechLike{PeakDBFS: min(0, peakDBFS), Seconds: programmeSeconds, Channels: p.channels, Seed: 1}.Make(rate)
		if err != nil {
			return nil, err
		}
		t, err := p.chain.Run(rate, sound)
		if err != nil {
			return nil, err
		}
		over, limited := p.over(t)
		// Behind a compressor the peaks rise by less than the level: a few rounds are
		// enough for most chains, and the last one is taken.
		if !limited || try == 6 || over <= overDB+0.1 && (overDB <= idle || over >= overDB-2 || peakDBFS >= 0) {
			if p.played == nil {
				p.played = map[float64]*played{}
			}
			p.played[overDB] = &played{sound, t.Sound, rate}
			return p.played[overDB], nil
		}
		peakDBFS = max(-200, min(0, peakDBFS+1.2*(overDB-over)))
	}
}

// over is the largest excess in dB over a limiter's ceiling of the true peak after its drive.
func (p *programme) over(t model.Result) (db float64, limited bool) {
	db = math.Inf(-1)
	for i, settings := range p.chain.Settings {
		if _, is := settings.(dsp.LimiterSettings); is {
			db = max(db, t.OverDB[i])
			limited = true
		}
	}
	return db, limited
}

// run compares a device with the model.
func (p *programme) run(overDB float64) func(context.Context, instrument.Device, int) (measure.Readings, error) {
	return func(ctx context.Context, d instrument.Device, rate int) (measure.Readings, error) {
		made, err := p.sound(rate, overDB)
		if err != nil {
			return nil, err
		}
		got, err := instrument.Respond(ctx, d, rate, made.sound)
		if err != nil {
			return nil, err
		}
		return follows(rate, got, made.response)
	}
}

// exact is the programme below every ceiling, where the model has all that a device does.
func (p *programme) exact() experiment {
	const why = "60 dB over the rounding of 32-bit floating point, 20 dB under a sound's noise at 16 bits"
	return experiment{
		Condition: fmt.Sprintf("%d s of synthetic speech, %s, at most %d dBFS and below every limiter's ceiling, against plain models of the stages", programmeSeconds, dsp.Plural(p.channels, "channel"), programmePeakDBFS),
		Claims: []Claim{
			within("programme_level_db", 0, 0.001, "a tenth of the sweep's tolerance"),
			within("programme_gain_trace_db", 0, 0.01, "the gain of each stage, in order, from the plain model of its settings"),
			atMost("programme_residual_db", -90, why),
			atMost("programme_largest_difference_dbfs", -100, "a single sample counts; "+why),
		},
		Run: p.run(idle),
	}
}

// limited is the programme where a limiter works: its guard and its verification,
// which the model leaves out, lower single peaks.
func (p *programme) limited() experiment {
	const overDB = 6
	const why = "a limiter's guard and verification lower single peaks, which the model leaves out"
	return experiment{
		Condition: fmt.Sprintf("the same, up to %d dB over the ceiling at a limiter, against plain models of the stages", overDB),
		Claims: []Claim{
			within("programme_level_db", 0, 0.05, why),
			{measure.Limit{Reading: "programme_gain_trace_db", Min: new(-1.5), Max: new(0.1)}, "within a window; " + why},
			atMost("programme_residual_db", -35, why),
		},
		Run: p.run(overDB),
	}
}
