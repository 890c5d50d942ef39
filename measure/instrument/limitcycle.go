package instrument

import (
	"fmt"
	"math"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// LimitCycle examines a device's output long after its input has ended. A sound filter decays
// to exactly 0 or to noise. A filter with a limit cycle repeats itself for ever, at a level
// that depends only on its rounding.
type LimitCycle struct {
	Sound stimulus.ToneThenSilence
}

// Stimulus is the tone and the silence after it.
func (l LimitCycle) Stimulus() stimulus.Signal { return l.Sound }

// tailSeconds is the length of the end that is examined. A cycle is found if it fits in twice.
const tailSeconds = 0.5

// Analyse reads idle_tail_peak_dbfs, decay_to_zero_ms, limit_cycle_period_frames
// and limit_cycle_hz.
func (l LimitCycle) Analyse(rate int, response Response) (measure.Readings, error) {
	toneEnd := int(math.Round(l.Sound.Tone.Seconds * float64(rate)))
	end := toneEnd + int(math.Round(l.Sound.SilenceSeconds*float64(rate)))
	return eachChannel(response, toneEnd, end, func(x []float64) measure.Readings {
		var r measure.Readings
		tail := x[max(0, len(x)-int(tailSeconds*float64(rate))):]
		reason, peak := "", 0.0
		if planes.FirstNonFinite(dsp.Block{x}) >= 0 {
			reason = "NaN or infinite samples"
		} else {
			peak = max(slices.Max(tail), -slices.Min(tail))
		}
		r.AddLevel("idle_tail_peak_dbfs", peak*peak, measure.Reading{Unit: "dBFS", Reason: reason, Reference: "digital full scale",
			Definition: fmt.Sprintf("largest sample of the last %g s", tailSeconds)})

		decay := measure.Reading{Unit: "ms", Reason: reason, Reference: "the end of the tone", Definition: "until the last sample that is not exactly 0"}
		period := measure.Reading{Unit: "frames", Reason: reason, Definition: fmt.Sprintf("shortest period with which the last %g s repeat exactly; 1 is a constant", tailSeconds)}
		switch {
		case reason != "":
		case peak == 0:
			last := len(x)
			for last > 0 && x[last-1] == 0 {
				last--
			}
			decay.Value = float64(last) * 1000 / float64(rate)
			period.Reason = "no limit cycle: the output is exactly 0"
		default:
			decay.Reason = "the output never becomes exactly 0"
			if period.Value = float64(shortestPeriod(tail)); period.Value == 0 {
				period.Reason = "no limit cycle: the output does not repeat (noise, or still ringing)"
			}
		}
		r.Add("decay_to_zero_ms", decay)
		r.Add("limit_cycle_period_frames", period)
		hz := measure.Reading{Unit: "Hz", Reason: period.Reason, Definition: "rate over limit_cycle_period_frames"}
		if hz.Reason == "" {
			hz.Value = float64(rate) / period.Value
		}
		r.Add("limit_cycle_hz", hz)
		return r
	})
}

// shortestPeriod is the least shift by which the sound equals itself exactly, 0 if none of up
// to half its length does.
func shortestPeriod(x []float64) int {
	for p := 1; p <= len(x)/2; p++ {
		if slices.Equal(x[p:], x[:len(x)-p]) {
			return p
		}
	}
	return 0
}
