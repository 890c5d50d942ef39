package instrument

import (
	"context"
	"slices"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// WorstOvershoot puts every signal of stimulus.LimiterStressSet, with a gain in dB
// in front, through a device whose ceiling is declared, and returns the worst of
// the readings of [Overshoot].
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
		worst = worstOf(worst, o.Readings())
	}
	return worst, nil
}

// worstOf is, for every name, the larger of two readings; one that cannot be measured
// gives way to one that can.
func worstOf(r, others measure.Readings) measure.Readings {
	for _, o := range others {
		i := slices.IndexFunc(r, func(n measure.Named) bool { return n.Name == o.Name })
		switch {
		case i < 0:
			r = append(r, o)
		case o.Measurable() && (!r[i].Measurable() || o.Value > r[i].Value):
			r[i] = o
		}
	}
	return r
}
