package proof

import (
	"context"
	"errors"

	"github.com/boothbench/boothbench/measure"
)

// Claim is one thing that a stage or a device says of itself.
type Claim struct {
	measure.Limit        // the reading and what it may be
	Why           string // the reason of the tolerance
}

// Line is a claim and what was measured.
type Line struct {
	Stage     string // "compressor", "the chain"
	Condition string // stimulus and level
	Why       string // the reason of the tolerance
	measure.Judgement
}

// Sheet is a proof: all lines, in the order of the stages.
type Sheet struct {
	Subject string // the chain file, or the device
	RateHz  int
	Lines   []Line
}

// Passed tells whether nothing failed. What cannot be told does not fail; count
// it with Count.
func (s *Sheet) Passed() bool { return s.Count(measure.Fail) == 0 }

// Count is the number of lines with a verdict.
func (s *Sheet) Count(v measure.Verdict) int {
	n := 0
	for _, l := range s.Lines {
		if l.Verdict == v {
			n++
		}
	}
	return n
}

// Experiment is one measurement, and the claims that it decides.
type Experiment struct {
	Name      string // "static curve"
	Condition string // stimulus and level, for the sheet
	Claims    []Claim
	Run       func(ctx context.Context, d measure.Device, rate int) (measure.Readings, error)
}

// Prove runs experiments on a device at a rate in Hz, and adds their lines to the
// sheet. An experiment that the device refuses is an error; what it cannot
// decide is a line that says why.
func (s *Sheet) Prove(ctx context.Context, stage string, d measure.Device, experiments []Experiment) error {
	for _, x := range experiments {
		readings, err := x.Run(ctx, d, s.RateHz)
		if errors.Is(err, context.Canceled) {
			return err
		}
		for _, c := range x.Claims {
			if err != nil { // the experiment cannot decide it, and says why
				readings = append(readings, measure.Named{Name: c.Reading, Reading: measure.Reading{Reason: err.Error(), Frame: -1, Channel: -1}})
			}
			s.Lines = append(s.Lines, Line{stage, x.Condition, c.Why, measure.Judge(stage, s.RateHz, readings, c.Limit)})
		}
	}
	return nil
}
