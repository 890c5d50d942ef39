package instrument

import (
	"context"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// WorstOvershoot puts every signal of stimulus.LimiterStressSet, with a gain in dB
// in front, through a device whose ceiling is declared, and returns the worst of
// the readings of [Overshoot]. The definition of each names the signal, and its part.
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
		if reason := o.overs.Reason(); reason != "" { // no other signal makes up for it
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

// worstSignal introduces the signal in a definition.
const worstSignal = "; largest with "

// NameSignal adds, to what a failed judgement of a reading of [WorstOvershoot] says, the
// signal that it is of. Other judgements stay as they are.
func NameSignal(j measure.Judgement) measure.Judgement {
	if _, signal, named := strings.Cut(j.Got.Definition, worstSignal); named && j.Verdict == measure.Fail {
		j.Advice = j.Do() + ", with the signal " + signal
	}
	return j
}

// worstOf is, for every name, the larger of two readings; one that cannot be measured
// gives way to one that can. Of two that differ behind the ninth decimal only, as
// processors round differently, the first stays.
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
