package proof

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Answer is a device's response to one stimulus, and its readings.
type Answer struct {
	Readings measure.Readings
	Response instrument.Response // as the instruments take it; nil: no further readings can be computed
	Failed   string              // why there are neither; "" if there are

	watched *watchedDevice
}

// OfDevice proves a device that responds, such as a *instrument.Command, against a claims
// file, at a rate in Hz. Shown is as in OfChain. Where the device fails, the sheet is
// returned together with the error: with what was measured before, and the rest
// undecided.
func OfDevice(ctx context.Context, c *Claims, d instrument.Device, rate int, shown func(test string, i, of int)) (*Sheet, []measure.Finding, error) {
	if err := c.possible(rate); err != nil {
		return nil, nil, err
	}
	var findings []measure.Finding
	answers := make([]Answer, len(c.Tests))
	var failed error
	for i, t := range c.Tests {
		if failed != nil {
			answers[i] = Answer{Readings: t.withoutReadings("the device failed before: " + failed.Error())}
			continue
		}
		if shown != nil {
			shown(stimulus.Describe(t.Stimulus), i, len(c.Tests))
		}
		sound, err := t.Stimulus.Make(rate)
		if err != nil {
			return nil, nil, fmt.Errorf("%s:%d: %w", c.Path, t.Line, err)
		}
		watched := &watchedDevice{Device: d}
		stored, err := instrument.RespondStored(ctx, watched, rate, sound)
		if err != nil && ctx.Err() != nil {
			return nil, nil, err
		}
		if err != nil {
			failed = err
			answers[i] = Answer{Readings: t.withoutReadings("the device failed: " + err.Error())}
			continue
		}
		defer stored.Close()
		var response instrument.Response = stored
		readings, err := instrument.AnalyseAll(t.Stimulus, rate, response)
		if err != nil {
			if watched.fault == "" {
				return nil, nil, fmt.Errorf("%s:%d: %w", c.Path, t.Line, err)
			}
			readings, response = t.withoutReadings(err.Error()), nil
		} else {
			moving, err := instrument.MovingGain(t.Stimulus, rate, response)
			if err != nil {
				return nil, nil, err
			}
			findings = append(findings, moving...)
		}
		answers[i] = Answer{Readings: readings, Response: response, watched: watched}
	}
	sheet, err := c.held(rate, answers)
	if err == nil {
		err = failed
	}
	return sheet, findings, err
}

// OfRecordings proves a device from recordings. Each recording is found, aligned and
// checked by the marks around its stimulus. A test without a recording leaves its claims
// undecided. If a recording is unusable, the sheet of the others is returned together
// with an error that states the reason.
func OfRecordings(ctx context.Context, c *Claims, pairs []instrument.Recorded) (*Sheet, []measure.Finding, error) {
	rate := 0
	read := map[string]Answer{} // by the description of the stimulus
	var findings []measure.Finding
	var failed error
	for _, p := range pairs {
		if err := ctx.Err(); err != nil {
			return nil, nil, err
		}
		signal, a, err := p.Align()
		if err != nil {
			failed = errors.Join(failed, err)
			continue
		}
		if rate != 0 && a.Rate != rate {
			return nil, nil, fmt.Errorf("%s: found %d Hz; accepted: %d Hz, as the recordings before it", p.Recording, a.Rate, rate)
		}
		if err := c.possible(a.Rate); err != nil {
			return nil, nil, err
		}
		if !c.about(signal) {
			return nil, nil, fmt.Errorf("%s: no [[test]] of %s has its stimulus, %s", p.Stimulus, c.Path, stimulus.Describe(signal))
		}
		defer a.Close()
		rate = a.Rate
		findings = append(findings, a.Findings...)
		readings, err := a.Read(signal)
		if err != nil {
			failed = errors.Join(failed, fmt.Errorf("%s: %w", p.Recording, err))
			continue
		}
		// What alignment reads of the whole path comes first: latency, gain, polarity.
		read[stimulus.Describe(signal)] = Answer{Readings: a.Readings.With(readings), Response: a.Sound}
	}
	if failed != nil && len(read) == 0 {
		return nil, findings, failed
	}
	sheet, err := c.Held(rate, read)
	if err == nil {
		err = failed
	}
	return sheet, findings, err
}

// Held compares the claims with answers, which are found by the description of their
// stimulus. The claims of a test without an answer are undecided.
func (c *Claims) Held(rate int, read map[string]Answer) (*Sheet, error) {
	answers := make([]Answer, len(c.Tests))
	for i, t := range c.Tests {
		a, ok := read[stimulus.Describe(t.Stimulus)]
		switch {
		case !ok:
			a.Readings = t.withoutReadings("there is no recording of this stimulus that could be read")
		case a.Failed != "":
			a.Readings = t.withoutReadings(a.Failed)
		}
		answers[i] = a
	}
	return c.held(rate, answers)
}

// held compares the claims with an answer for each test.
func (c *Claims) held(rate int, answers []Answer) (*Sheet, error) {
	sheet := &Sheet{Subject: c.Device, RateHz: rate}
	passes := map[int]bool{} // channels, from 1, that passed the sound of one of the tests
	for _, a := range answers {
		if a.Response == nil {
			continue
		}
		sounding, err := instrument.Sounding(a.Response)
		if err != nil {
			return nil, err
		}
		for _, channel := range sounding {
			passes[channel] = true
		}
	}
	for i, t := range c.Tests {
		a := answers[i]
		if a.Response != nil {
			asked, err := t.Requested.Of(t.Stimulus, rate, a.Response)
			if err != nil {
				return nil, fmt.Errorf("%s:%d: %w", c.Path, t.Line, err)
			}
			a.Readings = a.Readings.With(asked)
		}
		_, silence := t.Stimulus.(stimulus.Silence)
		a.Readings = belowEveryLevel(a.Readings, func(r measure.Named) bool {
			if channel, is := instrument.CrosstalkChannel(r.Name); is {
				return passes[channel]
			}
			return silence && len(passes) > 0 && r.Unit == "dBFS"
		})
		if a.watched == nil {
			a.watched = &watchedDevice{}
		}
		sheet.judge(c, t, a.Readings, a.watched)
	}
	return sheet, nil
}

// belowEveryLevel makes noise or crosstalk that is exactly 0 meet every maximum, for a
// device, or its channel, that passed the sound of another test and so is not muted.
func belowEveryLevel(r measure.Readings, passes func(measure.Named) bool) measure.Readings {
	r = slices.Clone(r)
	for i := range r {
		if r[i].Reason == instrument.ExactlyZero && passes(r[i]) {
			r[i].Beyond = -1
		}
	}
	return r
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

// judge adds a test's lines. A claim about a reading that the response does not give is
// undecided and does not affect the others.
func (s *Sheet) judge(c *Claims, t Test, readings measure.Readings, d *watchedDevice) {
	if c.Calibration != nil {
		readings = readings.Calibrated(*c.Calibration)
	}
	for _, claim := range t.Claims {
		for _, limit := range claim.Limit.InEachChannel(readings) {
			if _, ok := readings.Get(limit.Reading); !ok {
				readings = append(readings, measure.Named{Name: limit.Reading, Reading: measure.Reading{Reason: noReading(limit.Reading, readings), Frame: -1, Channel: -1}})
			}
			s.Lines = append(s.Lines, Line{"", stimulus.Describe(t.Stimulus), claim.Why, d.judge(advised(measure.Judge(c.Device, s.RateHz, readings, limit)))})
		}
	}
}

// advised states where a response is outside a mask.
func advised(j measure.Judgement) measure.Judgement {
	if j.Verdict == measure.Fail && strings.HasPrefix(j.Reading, "mask_excess_db") && j.Got.Measurable() {
		j.Advice = "the response is " + j.Got.Definition
	}
	return j
}

// noReading states why a response does not give a reading that its kind of stimulus can
// give.
func noReading(name string, readings measure.Readings) string {
	var names []string
	for _, n := range readings {
		names = append(names, n.Name)
	}
	hint := ""
	if near := tomlfile.Nearest(name, names); near != "" {
		hint = "; did you mean " + near + "?"
	}
	if measure.IsReadingOf(name, instrument.AlignmentReadings...) {
		hint = "; a recording of it does: --recording"
	}
	return "this response gives no such reading" + hint
}
