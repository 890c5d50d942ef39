package proof

import (
	"context"
	"fmt"
	"strings"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
)

// experiment is one measurement of a device, and the claims that it decides.
type experiment struct {
	Condition string // stimulus and level, for the sheet
	Claims    []Claim
	Run       func(ctx context.Context, d instrument.Device, rate int) (measure.Readings, error)
	// Model is what the settings mean, in plain code; nil: there is none. Claims are
	// stated in closed form. Where a claim is not met, the experiment is run on the model
	// too. If the model does not meet it either, no device could with this signal: the
	// claim is moved to the model's reading, and its reason says so.
	Model instrument.Device

	unclaimed []omission // what is not claimed with this stimulus
	inMemory  bool       // only a device in memory can do this
	again     bool       // one sound is played more than once
	curve     *curveOf   // how the curve of Run's readings is made; nil: they have none
}

// omission is a reading about which nothing is claimed, and why.
type omission struct{ reading, reason string }

// silent is an experiment that measures nothing, and gives the reason why nothing is
// claimed.
func silent(condition, reason string, readings ...string) experiment {
	x := experiment{Condition: condition}
	for _, name := range readings {
		x.unclaimed = append(x.unclaimed, omission{name, reason})
	}
	return x
}

// omitAll leaves all claims of an experiment unstated, for a reason.
func (x *experiment) omitAll(reason string) {
	for _, c := range x.Claims {
		x.unclaimed = append(x.unclaimed, omission{c.Reading, reason})
	}
	x.Claims = nil
}

// with is the run of an instrument.
func with(i instrument.Instrument) func(context.Context, instrument.Device, int) (measure.Readings, error) {
	return func(ctx context.Context, d instrument.Device, rate int) (measure.Readings, error) {
		return instrument.Run(ctx, d, i, rate)
	}
}

// drivenBy is the run of an instrument with a gain in dB in front of the device.
func drivenBy(driveDB float64, i instrument.Instrument) func(context.Context, instrument.Device, int) (measure.Readings, error) {
	return func(ctx context.Context, d instrument.Device, rate int) (measure.Readings, error) {
		return instrument.Run(ctx, instrument.Driven{Device: d, DriveDB: driveDB}, i, rate)
	}
}

// outcome is what an experiment adds to a sheet.
type outcome struct {
	lines     []Line
	unclaimed []Unclaimed
	curve     *Curve // nil: none
}

func (s *Sheet) add(o outcome) {
	s.Lines = append(s.Lines, o.lines...)
	s.Unclaimed = append(s.Unclaimed, o.unclaimed...)
	if o.curve != nil {
		s.Curves = append(s.Curves, *o.curve)
	}
}

// outcome runs the experiment and judges its claims. The error is that of a context
// that ended.
func (x *experiment) outcome(ctx context.Context, stage string, d instrument.Device, rate int, keepCurve bool) (o outcome, err error) {
	for _, left := range x.unclaimed {
		o.unclaimed = append(o.unclaimed, Unclaimed{stage, x.Condition, left.reading, left.reason})
	}
	if len(x.Claims) == 0 || ctx.Err() != nil {
		return o, ctx.Err()
	}
	watched := &watchedDevice{Device: d}
	var readings, model measure.Readings
	if x.curve != nil && keepCurve {
		readings, o.curve = x.readWithCurve(ctx, stage, watched, rate)
	} else {
		readings = x.read(ctx, watched, rate)
	}
	if ctx.Err() != nil {
		return o, ctx.Err() // no model is run for readings that were given up
	}
	for _, c := range x.Claims {
		j := measure.Judge(stage, rate, readings, c.Limit)
		if j.Verdict != measure.Pass && watched.fault == "" && x.Model != nil {
			if model == nil {
				model = x.read(ctx, x.Model, rate)
			}
			got, _ := readings.Get(c.Reading)
			restated, reason := c.asModelled(got, model)
			if reason != "" {
				o.unclaimed = append(o.unclaimed, Unclaimed{stage, x.Condition, c.Reading, reason})
				continue
			}
			c, j = restated, measure.Judge(stage, rate, readings, restated.Limit)
		}
		o.lines = append(o.lines, Line{stage, x.Condition, c.Why, watched.judge(instrument.NameSignal(j))})
	}
	return o, ctx.Err()
}

// read runs the experiment. If it fails, each claim's reading has the reason.
func (x *experiment) read(ctx context.Context, d instrument.Device, rate int) measure.Readings {
	readings, err := x.Run(ctx, d, rate)
	if err != nil {
		return x.withoutReadings(err)
	}
	return readings
}

func (x *experiment) withoutReadings(err error) (readings measure.Readings) {
	for _, c := range x.Claims {
		readings = append(readings, measure.Named{Name: c.Reading, Reading: measure.Reading{Reason: err.Error(), Frame: -1, Channel: -1}})
	}
	return readings
}

// readWithCurve is read with the curve of the same response.
func (x *experiment) readWithCurve(ctx context.Context, stage string, d instrument.Device, rate int) (measure.Readings, *Curve) {
	readings, table, err := x.curve.readings(ctx, d, rate)
	if err != nil {
		return x.withoutReadings(err), nil
	}
	if len(table.Rows) == 0 {
		return readings, nil
	}
	c := &Curve{Stage: stage, Condition: x.Condition, Table: table}
	for _, claim := range x.Claims {
		if strings.Contains(claim.Reading, "_deviation_db") && claim.Max != nil {
			c.WithinDB = *claim.Max
			c.Deviation, _ = readings.Get(claim.Reading)
		}
	}
	return readings, c
}

// notShown is the reason for leaving out a claim that no device could meet.
const notShown = "this signal does not show it; for a plain model of the settings: "

// asModelled is the claim adapted to a model's readings: unchanged where they meet it,
// else moved until they do. Where neither the device nor the model gives the reading, the
// signal cannot show it, nothing is claimed, and the reason says so.
func (c Claim) asModelled(device measure.Reading, model measure.Readings) (claim Claim, reason string) {
	got, ok := model.Get(c.Reading)
	switch {
	case !ok:
		return c, ""
	case !got.Measurable():
		if got.Beyond == 0 && device.Beyond == 0 && !device.Measurable() {
			return c, notShown + got.Reason
		}
		return c, ""
	case c.Min != nil && got.Value < *c.Min:
		c = c.moved(got.Value - *c.Min)
	case c.Max != nil && got.Value > *c.Max:
		c = c.moved(got.Value - *c.Max)
	default:
		return c, ""
	}
	c.Why += fmt.Sprintf("; moved to %s, which a plain model of the settings reads for this signal", got)
	return c, ""
}

// moved is the claim with both bounds moved by an amount.
func (c Claim) moved(by float64) Claim {
	half := 0.0
	if c.Min != nil && c.Max != nil {
		half = (*c.Max - *c.Min) / 2
	}
	if by < 0 {
		half = -half
	}
	if c.Min != nil {
		c.Min = new(*c.Min + by + half)
	}
	if c.Max != nil {
		c.Max = new(*c.Max + by + half)
	}
	return c
}

// onChannel is a reading's name in one of several channels, counted from 0.
func onChannel(reading string, channel, channels int) string {
	if channels < 2 {
		return reading
	}
	return fmt.Sprintf("%s_ch%d", reading, channel+1)
}

// exactly claims a value without tolerance.
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
