package proof

import (
	"context"
	"fmt"
	"strings"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
)

// Experiment is one measurement of a device, and the claims that it decides.
type Experiment struct {
	Condition string // stimulus and level, for the sheet
	Claims    []Claim
	Run       func(ctx context.Context, d instrument.Device, rate int) (measure.Readings, error)
	curve     *curveOf // what Run measures, with its curve; nil: it has none
}

// with is the run of an instrument.
func with(i instrument.Instrument) func(context.Context, instrument.Device, int) (measure.Readings, error) {
	return func(ctx context.Context, d instrument.Device, rate int) (measure.Readings, error) {
		return instrument.Run(ctx, d, i, rate)
	}
}

// drivenBy is the run of an instrument with a gain in dB ahead of the device.
func drivenBy(driveDB float64, i instrument.Instrument) func(context.Context, instrument.Device, int) (measure.Readings, error) {
	return func(ctx context.Context, d instrument.Device, rate int) (measure.Readings, error) {
		return instrument.Run(ctx, instrument.Driven{Device: d, DriveDB: driveDB}, i, rate)
	}
}

// Prove runs experiments on a device at the sheet's rate and adds their lines. An
// experiment that measures nothing leaves undecided claims, with the reason; one to
// which the device gave a broken response leaves failed ones.
func (s *Sheet) Prove(ctx context.Context, stage string, d instrument.Device, experiments []Experiment) error {
	for _, x := range experiments {
		lines, err := s.lines(ctx, stage, d, x)
		if err != nil {
			return err
		}
		s.Lines = append(s.Lines, lines...)
	}
	return nil
}

// lines runs an experiment and judges its claims. The error is that of a context
// that ended.
func (s *Sheet) lines(ctx context.Context, stage string, d instrument.Device, x Experiment) ([]Line, error) {
	watched := &watchedDevice{Device: d}
	readings, err := s.run(ctx, stage, watched, x)
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	var lines []Line
	for _, c := range x.Claims {
		if err != nil {
			readings = measure.Readings{{Name: c.Reading, Reading: measure.Reading{Reason: err.Error(), Frame: -1, Channel: -1}}}
		}
		lines = append(lines, Line{stage, x.Condition, c.Why, watched.judge(measure.Judge(stage, s.RateHz, readings, c.Limit))})
	}
	return lines, nil
}

// run measures, and keeps the curve where the sheet keeps curves.
func (s *Sheet) run(ctx context.Context, stage string, d instrument.Device, x Experiment) (measure.Readings, error) {
	if x.curve == nil || !s.keepCurves {
		return x.Run(ctx, d, s.RateHz)
	}
	readings, table, err := x.curve.readings(ctx, d, s.RateHz)
	if err == nil && len(table.Rows) > 0 {
		c := Curve{Stage: stage, Condition: x.Condition, Table: table}
		for _, claim := range x.Claims {
			if strings.Contains(claim.Reading, "_deviation_db") && claim.Max != nil {
				c.WithinDB = *claim.Max
			}
		}
		s.Curves = append(s.Curves, c)
	}
	return readings, err
}

// onChannel is a reading's name in one of several channels, counted from 0.
func onChannel(reading string, channel, channels int) string {
	if channels < 2 {
		return reading
	}
	return fmt.Sprintf("%s_ch%d", reading, channel+1)
}

// exactly claims a value that nothing may change.
func exactly(reading string, value float64, why string) Claim {
	return Claim{measure.Between(reading, value, 0), why}
}

// within claims a value to within a tolerance in its unit.
func within(reading string, value, tolerance float64, why string) Claim {
	return Claim{measure.Between(reading, value, tolerance), why}
}

// atMost claims an upper bound.
func atMost(reading string, most float64, why string) Claim {
	return Claim{measure.AtMost(reading, most), why}
}
