package instrument

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// GainLinearity measures whether a device has the same gain at every level
// (AES17-2015 6.3.7), down into its noise.
type GainLinearity struct {
	Series        stimulus.ToneSeries // such as stimulus.AES17Series
	ReferenceDBFS float64             // the gain at the nearest level is the reference, 0 dB; 0 means −20
	SettleMs      int                 // left out at the start of each step; 0 means 400
}

// Stimulus is the series.
func (g GainLinearity) Stimulus() stimulus.Signal { return g.Series }

// Analyse reads gain_db, the gain at the reference level; linearity_mN_db, the gain at −N dBFS
// relative to it; and linearity_worst_db, the largest of these. A level whose tone is lost in
// the noise has a reason instead of a value.
func (g GainLinearity) Analyse(rate int, response Response) (measure.Readings, error) {
	if g.ReferenceDBFS == 0 {
		g.ReferenceDBFS = -20
	}
	return eachStep(g.Series, g.SettleMs, rate, response, g.readings)
}

func (g GainLinearity) readings(rate int, steps []seriesStep) measure.Readings {
	var r measure.Readings
	reference := slices.MinFunc(steps, func(a, b seriesStep) int {
		return cmp.Compare(math.Abs(a.dbfs-g.ReferenceDBFS), math.Abs(b.dbfs-g.ReferenceDBFS))
	})
	t, reason := takeApart(reference.sound, rate, g.Series.Hz)
	about := measure.Reading{Unit: "dB", Reason: reason, Reference: fmt.Sprintf("the stimulus, at %g dBFS", reference.dbfs), Weighting: "none", Definition: "AES17-2015 6.2.2"}
	gain := 0.0
	if reason == "" {
		gain = dsp.AmplitudeToDB(t.peak(0)) - reference.dbfs
	}
	about.Value = gain
	r.Add("gain_db", about)

	worst := measure.Reading{Unit: "dB", Reason: reason, Reference: about.Reference, Weighting: "none", Definition: "AES17-2015 6.3.7: largest change of the gain"}
	lowest := reference.dbfs
	for _, s := range steps {
		change := measure.Reading{Unit: "dB", Reason: reason, Reference: fmt.Sprintf("the gain at %g dBFS", reference.dbfs), Weighting: "none", Definition: "AES17-2015 6.3.7"}
		if reason == "" {
			var peak float64
			peak, change.Bound, change.Reason = s.line(rate, t.hz[0])
			change.Value = dsp.AmplitudeToDB(peak) - s.dbfs - gain
		}
		r.Add("linearity_"+levelName(s.dbfs)+"_db", change)
		if change.Reason == "" {
			lowest = min(lowest, s.dbfs)
			if math.Abs(change.Value) > math.Abs(worst.Value) {
				worst.Value, worst.Bound = change.Value, change.Bound
			}
		}
	}
	if reason == "" {
		worst.Definition += fmt.Sprintf(", down to %g dBFS", lowest)
	}
	r.Add("linearity_worst_db", worst)
	return r
}

// levelName is a level in dBFS as it is written in the name of a reading: "m60" for −60.
func levelName(dbfs float64) string {
	dbfs = math.Round(dbfs*1e6)/1e6 + 0 // sums of 0.2 dB give 7.3999999999999995; + 0: no -0
	return strings.NewReplacer("-", "m", ".", "p").Replace(strconv.FormatFloat(dbfs, 'f', -1, 64))
}

// seriesStep is the settled part of one tone of a series.
type seriesStep struct {
	dbfs  float64 // of the stimulus
	sound []float64
}

// eachStep splits every channel of a response into the settled parts of a series.
func eachStep(s stimulus.ToneSeries, settleMs, rate int, response Response, analyse func(rate int, steps []seriesStep) measure.Readings) (measure.Readings, error) {
	if settleMs == 0 {
		settleMs = 400
	}
	if !(s.StepDB > 0 && s.StepSeconds > 0) || rate < 1 {
		return nil, fmt.Errorf("the series has no steps: found step_db %g and step_seconds %g at %d Hz; accepted: more than 0", s.StepDB, s.StepSeconds, rate)
	}
	levels := s.Levels()
	_, end := s.Step(len(levels)-1, rate)
	skip, stop := toneFrames(rate, s.StepSeconds, settleMs)
	if skip >= stop {
		return nil, fmt.Errorf("steps of %g s are too short: %d ms of each are left out", s.StepSeconds, settleMs)
	}
	return eachChannel(response, 0, end, func(x []float64) measure.Readings {
		steps := make([]seriesStep, len(levels))
		for i, level := range levels {
			from, _ := s.Step(i, rate)
			steps[i] = seriesStep{level, x[from+skip : from+stop]}
		}
		return analyse(rate, steps)
	})
}

// line is the peak of the tone in a step, at a frequency measured in a louder one.
func (s seriesStep) line(rate int, hz float64) (peak float64, bound, reason string) {
	if planes.FirstNonFinite(dsp.Block{s.sound}) >= 0 {
		return 0, "", "NaN or infinite samples"
	}
	l := &steadyTones{lines: spectra.NewLines(s.sound, rate), rate: rate}
	peak, bound = l.line(hz)
	if peak == 0 {
		return 0, "", "exactly 0"
	}
	if peak*peak < dsp.DBToPower(spectra.HumLineDB)*l.lines.NoiseAround(hz) {
		return 0, "", fmt.Sprintf("the tone is not %d dB above the noise around it", spectra.HumLineDB)
	}
	return peak, bound, ""
}
