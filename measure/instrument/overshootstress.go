package instrument

import (
	"context"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// WorstOvershoot puts every signal of stimulus.LimiterStressSet through a device with a
// declared ceiling, after a gain in dB. It returns the worst of the readings of [Overshoot].
// The definition of each names the signal and its part.
func WorstOvershoot(ctx context.Context, d Device, ceilingDBTP, driveDB float64, rate, channels int) (measure.Readings, error) {
	var worst measure.Readings
	for _, signal := range stimulus.LimiterStressSet(ceilingDBTP, channels) {
		sound, err := signal.Make(rate)
		if err != nil {
			return nil, err
		}
		open := func() (wave.Source, error) { return wave.NewMemory(wave.Unquantised(rate, len(sound)), sound), nil }
		o, err := OvershootOf(ctx, d, open, driveDB, measure.OverSettings{CeilingDBTP: ceilingDBTP, MostEvents: 1})
		if err != nil {
			return nil, err
		}
		readings := o.Readings()
		if reason := o.overs.Reason(); reason != "" { // no other signal can replace it
			for i := range readings {
				readings[i].Reason = reason + ", with the signal " + signal.Name()
			}
			return readings, nil
		}
		for i, r := range readings {
			with := signal.Name()
			if part := signal.PartAt(rate, r.Frame); r.Frame >= 0 && part != "" {
				with += " (" + part + ")"
			}
			readings[i].Definition = strings.TrimPrefix(r.Definition+worstSignal+with, "; ")
		}
		worst = worstOf(worst, readings)
	}
	return worst, nil
}

// worstSignal precedes the name of the signal in a definition.
const worstSignal = "; largest with "

// NameSignal adds the signal to the advice of a failed judgement on a reading of
// [WorstOvershoot]. Other judgements are not changed.
func NameSignal(j measure.Judgement) measure.Judgement {
	if _, signal, named := strings.Cut(j.Got.Definition, worstSignal); named && j.Verdict == measure.Fail {
		j.Advice = j.Do() + ", with the signal " + signal
	}
	return j
}

// worstOf is the larger of two readings, for every name; a reading without a value gives way to
// one with a value. If two differ only past the ninth decimal, by a processor's rounding, the
// first is kept.
func worstOf(r, others measure.Readings) measure.Readings {
	for _, o := range others {
		i := slices.IndexFunc(r, func(n measure.Named) bool { return n.Name == o.Name })
		switch {
		case i < 0:
			r = append(r, o)
		case o.Measurable() && (!r[i].Measurable() || o.Value > r[i].Value+1e-9):
			r[i] = o
		}
	}
	return r
}
