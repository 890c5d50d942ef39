package proof

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/measure"
)

// Claim is one declared property of a stage or a device.
type Claim struct {
	measure.Limit        // the reading and what it may be
	Why           string // the reason of the tolerance
}

// Line is a claim and its measured value.
type Line struct {
	Stage     string // "compressor", "whole chain"; "" for a device of one piece
	Condition string // stimulus and level
	Why       string // the reason of the tolerance
	measure.Judgement
}

// Unclaimed is a reading that the settings would let one expect a claim about, and the
// reason why there is none.
type Unclaimed struct {
	Stage     string `json:"stage,omitempty"`
	Condition string `json:"condition,omitempty"`
	Reading   string `json:"reading"`
	Reason    string `json:"reason"`
}

// Sheet is a proof: all lines, in the order of the stages.
type Sheet struct {
	Subject   string // the chain file, or the device
	RateHz    int
	Lines     []Line
	Unclaimed []Unclaimed // the readings without a line
	Curves    []Curve     // of OfChainWithCurves, in the order of the stages

	keepCurves bool
}

// Passed reports whether every claim passed. A claim that no measurement decided
// has not.
func (s *Sheet) Passed() bool { return len(s.Lines) > 0 && s.Count(measure.Pass) == len(s.Lines) }

// Holds is like Passed, but accepts undecided claims beside a passed one if the caller
// says so. A broken response always fails.
func (s *Sheet) Holds(acceptUndecided bool) bool {
	return s.Passed() || acceptUndecided && s.Count(measure.Fail) == 0 && s.Count(measure.Pass) > 0
}

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

// Readings are claims_passed, claims_failed and claims_undecided: their numbers.
func (s *Sheet) Readings() measure.Readings {
	var all measure.Readings
	for name, v := range map[string]measure.Verdict{"claims_passed": measure.Pass, "claims_failed": measure.Fail, "claims_undecided": measure.Undecided} {
		all = append(all, measure.Named{Name: name, Reading: measure.Reading{
			Value: float64(s.Count(v)), Unit: "claims", Definition: fmt.Sprintf("of %d claims at %d Hz", len(s.Lines), s.RateHz), Frame: -1, Channel: -1,
		}})
	}
	slices.SortFunc(all, func(a, b measure.Named) int { return strings.Compare(a.Name, b.Name) })
	return all
}

// MarshalJSON writes the line: claim, condition, what was measured, verdict.
func (l Line) MarshalJSON() ([]byte, error) {
	bound := func(v *float64) *float64 {
		if v == nil {
			return nil
		}
		rounded := measure.JSONValue(*v)
		return &rounded
	}
	return json.Marshal(struct {
		Stage     string          `json:"stage,omitempty"`
		Reading   string          `json:"reading"`
		Min       *float64        `json:"min"`
		Max       *float64        `json:"max"`
		Why       string          `json:"tolerance_reason"`
		Condition string          `json:"condition"`
		Source    string          `json:"source,omitempty"`
		Got       measure.Reading `json:"measured"`
		Verdict   string          `json:"verdict"`
	}{l.Stage, l.Reading, bound(l.Min), bound(l.Max), l.Why, l.Condition, l.Source, l.Got, l.Verdict.String()})
}
