package proof

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/boothbench/boothbench/chain/document"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// OfDevice proves a device that answers, such as a *instrument.Command, against a
// claims file, at a rate in Hz. Shown is as in OfChain.
func OfDevice(ctx context.Context, c *Claims, d instrument.Device, rate int, shown func(test string, i, of int)) (*Sheet, error) {
	if err := c.Possible(rate); err != nil {
		return nil, err
	}
	sheet := &Sheet{Subject: c.Device, RateHz: rate}
	for i, t := range c.Tests {
		if shown != nil {
			shown(stimulus.Describe(t.Stimulus), i, len(c.Tests))
		}
		sound, err := t.Stimulus.Make(rate)
		if err != nil {
			return nil, fmt.Errorf("%s:%d: %w", c.Path, t.Line, err)
		}
		watched := &watchedDevice{Device: d}
		response, err := instrument.Respond(ctx, watched, rate, sound)
		if err != nil {
			return nil, err
		}
		readings, err := instrument.AnalyseAll(t.Stimulus, rate, response)
		if err != nil {
			if watched.fault == "" {
				return nil, fmt.Errorf("%s:%d: %w", c.Path, t.Line, err)
			}
			readings = t.withoutReadings(err.Error())
		}
		if err := sheet.judge(c, t, readings, watched); err != nil {
			return nil, err
		}
	}
	return sheet, nil
}

// OfRecordings proves a device of which there are recordings. Each is found,
// aligned and checked by the marks around its stimulus; one that says nothing
// about the device is an error with the reason. A test of which there is no
// recording leaves its claims undecided.
func OfRecordings(ctx context.Context, c *Claims, pairs []instrument.Recorded) (*Sheet, []measure.Finding, error) {
	sheet := &Sheet{Subject: c.Device}
	read := map[string]measure.Readings{} // by the description of the stimulus
	var findings []measure.Finding
	for _, p := range pairs {
		if err := ctx.Err(); err != nil {
			return nil, nil, err
		}
		signal, a, err := p.Align()
		if err != nil {
			return nil, nil, err
		}
		if sheet.RateHz != 0 && a.Rate != sheet.RateHz {
			return nil, nil, fmt.Errorf("%s: found %d Hz; accepted: %d Hz, as the recordings before it", p.Recording, a.Rate, sheet.RateHz)
		}
		if err := c.Possible(a.Rate); err != nil {
			return nil, nil, err
		}
		if !c.about(signal) {
			return nil, nil, fmt.Errorf("%s: no [[test]] of %s has its stimulus, %s", p.Stimulus, c.Path, stimulus.Describe(signal))
		}
		readings, err := a.Read(signal)
		if err != nil {
			return nil, nil, fmt.Errorf("%s: %w", p.Recording, err)
		}
		// What alignment reads of the whole path comes first: latency, gain, polarity.
		sheet.RateHz, read[stimulus.Describe(signal)] = a.Rate, a.Readings.With(readings)
		findings = append(findings, a.Findings...)
	}
	sheet, err := c.Held(sheet.RateHz, read)
	return sheet, findings, err
}

// Held holds the claims against readings, by the description of the stimulus that they
// are of. A test of which there are none leaves its claims undecided.
func (c *Claims) Held(rate int, read map[string]measure.Readings) (*Sheet, error) {
	sheet := &Sheet{Subject: c.Device, RateHz: rate}
	for _, t := range c.Tests {
		readings, ok := read[stimulus.Describe(t.Stimulus)]
		if !ok {
			readings = t.withoutReadings("no recording of this stimulus was given")
		}
		if err := sheet.judge(c, t, readings, &watchedDevice{}); err != nil {
			return nil, err
		}
	}
	return sheet, nil
}

// withoutReadings gives each of a test's readings the same reason for having no
// value.
func (t *Test) withoutReadings(reason string) (all measure.Readings) {
	for _, claim := range t.Claims {
		all = append(all, measure.Named{Name: claim.Reading, Reading: measure.Reading{Reason: reason, Frame: -1, Channel: -1}})
	}
	return all
}

// about reports whether a test has a signal as its stimulus.
func (c *Claims) about(s stimulus.Signal) bool {
	for _, t := range c.Tests {
		if stimulus.Describe(t.Stimulus) == stimulus.Describe(s) {
			return true
		}
	}
	return false
}

// judge adds a test's lines. A claim about what no instrument reads is an error of
// the claims file.
func (s *Sheet) judge(c *Claims, t Test, readings measure.Readings, d *watchedDevice) error {
	if c.Calibration != nil {
		readings = readings.Calibrated(*c.Calibration)
	}
	for _, claim := range t.Claims {
		if _, ok := readings.Get(claim.Reading); !ok {
			return &ClaimError{fmt.Errorf("%s:%d: %w", c.Path, t.lines[claim.Reading], noReading(claim.Reading, readings, c.Calibration))}
		}
		s.Lines = append(s.Lines, Line{"", stimulus.Describe(t.Stimulus), claim.Why, d.judge(measure.Judge(c.Device, s.RateHz, readings, claim.Limit))})
	}
	return nil
}

// A ClaimError is about a claims file that asks for what its stimulus does not give.
type ClaimError struct{ err error }

func (e *ClaimError) Error() string { return e.err.Error() }

func noReading(name string, readings measure.Readings, c *measure.Calibration) error {
	var names []string
	for _, n := range readings {
		names = append(names, n.Name)
	}
	switch near := document.Nearest(name, names); {
	case strings.HasSuffix(name, "_dbu") && c == nil:
		return errors.New(name + `: a level in dBu needs a calibration; add a line such as calibration = "0 dBFS = +16 dBu"`)
	case near != "":
		return fmt.Errorf("%s: this stimulus gives no such reading; did you mean %s?", name, near)
	default:
		return fmt.Errorf("%s: this stimulus gives no such reading; accepted: %s", name, strings.Join(names, ", "))
	}
}
