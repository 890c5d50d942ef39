package bench

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/boothbench/boothbench/measure/instrument"
)

// contradictions lists the readings of an item whose repeats contradict each other.
func contradictions(item Item, rows []Row) []Lack {
	var names []string
	for _, r := range rows {
		if r.contradictsItself() {
			names = append(names, fmt.Sprintf("%s (%s)", r.Reading, valuesText(r)))
		}
	}
	if len(names) == 0 {
		return nil
	}
	more := ""
	if len(names) > 3 {
		names, more = names[:3], fmt.Sprintf(" and %d more", len(names)-3)
	}
	return []Lack{{
		fmt.Sprintf("%s, %s", item.Condition, item.Test),
		"its repeats contradict each other: " + strings.Join(names, ", ") + more,
		"something changed between the recordings: a control, a cable, automatic gain, hum; find it, and record all repeats again. The sheet holds their median and every value",
		item.Path.Name,
	}}
}

// contradictsItself reports whether the repeats of a row differ by more than their uncertainty
// and by more than repeats of one device do.
func (r Row) contradictsItself() bool {
	return r.Spread != nil && !r.AtMost && *r.Spread > max(2*stated(r.Bound), 2*resolution(r.Unit, *r.Value), repeatable(r))
}

// leastWrongGainDB is the least difference of gains that an inaccurate scale of a gain control
// does not explain. (common practice, no source)
const leastWrongGainDB = 6

// wrongGains lists the gains so far from the plan's that the control was set to another one.
func wrongGains(rows []Row) (all []Lack) {
	for _, r := range rows {
		if strings.HasPrefix(r.Reading, "gain_error_db") && r.Value != nil && math.Abs(*r.Value) >= leastWrongGainDB {
			all = append(all, Lack{
				fmt.Sprintf("%s, %s", r.Path, r.Condition),
				fmt.Sprintf("%s is %+.1f dB: the control was not set as the plan states, here or at the lowest gain", r.Reading, *r.Value),
				"set the gains as the plan says, or put those of the device into the plan, and record again",
				r.Path,
			})
		}
	}
	return all
}

// isDynamics reports whether a path is meant to change its gain with the level.
func (p *Path) isDynamics() bool { return p.Kind == "processor" || p.Kind == "limiter" }

// worksByLevel reports whether a path may be meant to change its gain with the level.
func (p *Path) worksByLevel() bool { return p.Kind == "effect" || p.isDynamics() }

// leastUnsteadyDB is the least difference between the gains of two stimuli in one recording
// that a fixed gain does not explain: noise 20 dB below a mark changes its level by less.
// (common practice, no source)
const leastUnsteadyDB = 0.5

// unsteadyGains lists the recordings in which the gain, measured with the marks, differs from
// one stimulus to another.
func (c *Collector) unsteadyGains() (all []Lack) {
	type key struct {
		condition          int
		recording, channel string
	}
	var order []key
	extremes := map[key][2]markGain{} // the least and the largest
	for _, g := range c.gains {
		k := key{g.condition, g.recording, g.channel}
		e, known := extremes[k]
		if !known {
			order, e = append(order, k), [2]markGain{g, g}
		}
		if g.db < e[0].db {
			e[0] = g
		}
		if g.db > e[1].db {
			e[1] = g
		}
		extremes[k] = e
	}
	for _, k := range order {
		least, most := extremes[k][0], extremes[k][1]
		condition := c.conditions[k.condition]
		if most.db-least.db < leastUnsteadyDB || condition.Path.worksByLevel() {
			continue
		}
		all = append(all, Lack{condition.String(),
			fmt.Sprintf("gain_db%s is %+.1f dB in %s and %+.1f dB in %s of one recording", k.channel, least.db, least.test, most.db, most.test),
			"look for a control that was moved, automatic gain, or a gain that drifts; record this condition again", condition.Path.Name})
	}
	return all
}

// impossibleNoise lists the conditions whose equivalent input noise is below the thermal noise
// of the source, in either weighting.
func impossibleNoise(rows []Row) (all []Lack) {
	for _, r := range rows {
		suffix, is := strings.CutPrefix(r.Reading, "equivalent_input_noise")
		if !is || r.Value == nil || r.Unit != "dBu" {
			continue
		}
		for _, thermal := range rows {
			if thermal.Reading != "thermal_noise"+suffix || thermal.Value == nil || thermal.of.Condition.String() != r.of.Condition.String() || *r.Value+r.Uncertainty >= *thermal.Value {
				continue
			}
			all = append(all, Lack{r.of.Condition.String() + ", " + r.Test,
				fmt.Sprintf("%s is %.1f dBu, and the thermal noise of %g ohm alone is %.1f dBu: that is impossible", r.Reading, *r.Value, r.of.Path.SourceOhm, *thermal.Value),
				"look for a calibration, a gain or a source_ohm of the plan that is not the device's, a recording of another input, or a gate; the measured gain is listed with the path's other tests", r.Path})
		}
	}
	return all
}

// leastMutedDB is by how much the noise beside a tone must exceed the idle noise before the
// path counts as muted in silence. The noise of a converter changes less with its level. (own
// definition)
const leastMutedDB = 10

// zeroNoiseDBFS is the idle noise of a path whose silence is exactly 0, as far as this can be
// compared with the noise beside a tone: the rounding of 16 bits, which a path without dither
// adds to tones alone. (6.02 dB a bit and 1.76 dB, under a full-scale sine)
const zeroNoiseDBFS = -98.1

// mutedSilence lists the conditions whose noise beside the quietest tone is far above their
// idle noise. The path is muted in silence by a gate, noise reduction or a converter that mutes
// itself.
func mutedSilence(rows []Row) (all []Lack) {
	for _, idle := range rows {
		suffix, is := strings.CutPrefix(idle.Reading, "idle_noise_dbfs")
		level, text := zeroNoiseDBFS, "exactly 0"
		switch {
		case !is || idle.of.Path.worksByLevel():
			continue
		case idle.Value != nil:
			level, text = *idle.Value, fmt.Sprintf("%.1f dBFS", *idle.Value)
		case idle.Reason != instrument.ExactlyZero:
			continue
		}
		quietest, noise := math.Inf(1), 0.0
		for _, tone := range rows {
			if tone.Reading != "tone_dbfs"+suffix || tone.Value == nil || tone.of.Condition.String() != idle.of.Condition.String() || *tone.Value >= quietest {
				continue
			}
			with, harmonics := math.Inf(-1), math.Inf(-1)
			for _, r := range rows {
				switch {
				case r.of.Condition.String() != tone.of.Condition.String() || r.Test != tone.Test || r.Value == nil:
				case r.Reading == "thd_plus_noise_db"+suffix:
					with = *r.Value
				case r.Reading == "thd_total_db"+suffix && !r.AtMost:
					harmonics = *r.Value
				}
			}
			if rest := math.Pow(10, with/10) - math.Pow(10, harmonics/10); rest > 0 {
				quietest, noise = *tone.Value, *tone.Value+10*math.Log10(rest)
			}
		}
		if !math.IsInf(quietest, 1) && noise-level >= leastMutedDB {
			what := fmt.Sprintf("%s is %s, and beside a tone of %.0f dBFS the noise is %.1f dBFS: the path is muted in silence", idle.Reading, text, quietest, noise)
			contradict(rows, idle.of.Condition, suffix, what, "idle_noise_", "headphone_noise_")
			all = append(all, Lack{idle.of.Condition.String() + ", " + idle.Test, what,
				"switch gates and noise reduction of the path off; where a converter mutes itself, take the noise from dynamic-range, which keeps a tone", idle.Path})
		}
	}
	return all
}

const (
	// leastLowerDB is the least loss of gain at a low level that is reported, beyond the
	// uncertainty. (own definition)
	leastLowerDB = 3
	// aboveNoiseDB is by how much a level has to exceed the noise in the whole band. The steps of
	// a converter without dither change the gain of tones that are smaller than one step, which
	// are up to 8 dB above its noise of −98.1 dBFS for 16 bits, and of 1.8 dB for half a step,
	// below which nothing passes. (computed)
	aboveNoiseDB = 9
)

// noisePrefixes are the beginnings of readings that noise reduction improves.
var noisePrefixes = []string{"idle_noise_", "headphone_noise_", "dynamic_range_", "thd_plus_noise_"}

// lowLevels lists the conditions whose gain falls at a level that is still above the noise. A
// gate or noise reduction then lowers the noise as well, and readings of noise are not the
// path's.
func lowLevels(rows []Row) (all []Lack) {
	for _, worst := range rows {
		suffix, is := strings.CutPrefix(worst.Reading, "linearity_worst_db")
		if !is || worst.of.Path.worksByLevel() {
			continue
		}
		noise, known := math.Inf(1), false // dBFS, the least that the sheet states
		gain := 0.0
		for _, r := range rows {
			switch {
			case r.of.Condition.String() != worst.of.Condition.String() || r.Value == nil:
			case r.Reading == "dynamic_range_db"+suffix:
				noise, known = min(noise, -*r.Value), true
			case r.Reading == "idle_noise_dbfs"+suffix && !known:
				noise, known = *r.Value, true
			case r.Reading == "gain_db"+suffix && r.Test == worst.Test:
				gain = *r.Value
			}
		}
		lowest, loss := 0.0, 0.0
		for _, r := range rows {
			at, is := levelOf(r.Reading, suffix)
			if !is || !known || r.Value == nil || r.Test != worst.Test || r.of.Condition.String() != worst.of.Condition.String() || at+gain < noise+aboveNoiseDB {
				continue
			}
			if fall := -*r.Value; fall-r.Uncertainty >= leastLowerDB && fall > loss && at < linearityReferenceDBFS {
				lowest, loss = at, fall
			}
		}
		if loss == 0 {
			continue
		}
		what := instrument.HiddenNoise(fmt.Sprintf("the gain depends on the level: %.1f dB lower at %g dBFS, which is %.0f dB above the noise (noise reduction or a gate)", loss, lowest, lowest+gain-noise))
		contradict(rows, worst.of.Condition, suffix, what, noisePrefixes...)
		all = append(all, Lack{worst.of.Condition.String() + ", " + worst.Test, what, "switch gates, expanders and noise reduction of the path off, and record again", worst.Path})
	}
	return all
}

// linearityReferenceDBFS is the level whose gain is the reference of the linearity readings
// (AES17-2015 6.3.7).
const linearityReferenceDBFS = -20

// levelOf is the level in dBFS of a linearity reading: −60 of linearity_m60_db.
func levelOf(reading, suffix string) (dbfs float64, is bool) {
	name, is := strings.CutPrefix(reading, "linearity_m")
	if !is {
		return 0, false
	}
	name, is = strings.CutSuffix(name, "_db"+suffix)
	level, err := strconv.ParseFloat(strings.ReplaceAll(name, "p", "."), 64)
	return -level, is && err == nil
}

// contradict marks the rows of a condition and channel whose readings have one of the prefixes
// with the sentence of a finding.
func contradict(rows []Row, of Condition, suffix, sentence string, prefixes ...string) {
	for i := range rows {
		r := &rows[i]
		if r.of.Condition.String() == of.String() && channelSuffix(r.Reading) == suffix && slices.ContainsFunc(prefixes, func(p string) bool { return strings.HasPrefix(r.Reading, p) }) {
			r.Contradicted = cmp.Or(r.Contradicted, sentence)
		}
	}
}

func valuesText(r Row) string {
	var all []string
	for _, v := range r.Values {
		if v == nil {
			all = append(all, "none")
			continue
		}
		all = append(all, fmt.Sprintf("%.2f", *v))
	}
	return strings.TrimSpace(strings.Join(all, ", ") + " " + r.Unit)
}

// repeatable returns by how much repeats of one device may differ without a finding. The
// latency of a device may change each time it is started: round_trip_spread_frames states that.
// Clocks of two boxes drift as they warm up. (common practice, no source)
func repeatable(r Row) float64 {
	switch {
	case strings.HasPrefix(r.Reading, "latency_"), strings.HasPrefix(r.Reading, "drift_"), strings.HasPrefix(r.Reading, "remaining_delay"):
		return math.Inf(1)
	case strings.HasPrefix(r.Reading, "gain_"), strings.HasPrefix(r.Reading, "tone_dbfs"), strings.HasPrefix(r.Reading, "channel_balance"):
		return 0.1 // dB
	case strings.HasPrefix(r.Unit, "dB"):
		return 3 // of noise and distortion
	}
	return 0.2 * math.Abs(*r.Value)
}
