package bench

import (
	"slices"
	"strings"

	"github.com/boothbench/boothbench/measure"
)

// judge compares the claims of the plan with the rows.
func (p *Plan) judge(rows []Row) (all []Judged) {
	for _, c := range p.Claims {
		found := false
		for _, r := range rows {
			if !r.isOf(c.Path, c.Test, c.Limit.Reading) {
				continue
			}
			found = true
			j := r.judged(p.Device, c.Limit)
			all = append(all, Judged{r.Path, r.Condition, r.Test, j.Verdict.String(), j.Sentence(), c.Why})
		}
		if !found {
			all = append(all, Judged{c.Path, "", c.Test, measure.Undecided.String(), c.Limit.Reading + ": no recording gave this reading", c.Why})
		}
	}
	return all
}

// Judge compares the rows of a sheet that have a reading with a limit. Path and test restrict
// the rows where they are not "". Subject names the sheet in the judgements. A reading that the
// sheet does not have is undecided.
func (s *Sheet) Judge(subject, path, test string, l measure.Limit) (all []measure.Judgement) {
	for _, r := range s.Rows {
		if r.isOf(path, test, l.Reading) {
			all = append(all, r.judged(strings.Join([]string{subject, r.Path, r.Condition, r.Test}, ", "), l))
		}
	}
	if all == nil {
		of := slices.DeleteFunc([]string{subject, path, test}, func(part string) bool { return part == "" })
		all = append(all, measure.Judgement{Subject: strings.Join(of, ", "), Limit: l, Verdict: measure.Undecided, Got: measure.Reading{Reason: "the sheet does not have it", Frame: -1, Channel: -1}})
	}
	return all
}

// isOf reports whether a row is of a reading, in any channel, and of a path and a test where
// these are not "".
func (r Row) isOf(path, test, reading string) bool {
	return (r.Reading == reading || strings.HasPrefix(r.Reading, reading+"_ch")) && (path == "" || path == r.Path) && (test == "" || test == r.Test)
}

// judged compares a row with a limit. An upper bound passes a maximum above it, and is
// undecided otherwise. Undecided too are a value that rests on an assumption, one whose repeats
// contradict each other, and one whose uncertainty reaches over the limit.
func (r Row) judged(subject string, l measure.Limit) measure.Judgement {
	l.Reading = r.Reading
	got, advice := r.Measured(), ""
	undecided := func(why, do string) {
		got, advice = measure.Reading{Reason: "undecided: " + why, Unit: r.Unit, Frame: -1, Channel: -1}, do
	}
	switch {
	case r.Value == nil:
	case r.AtMost:
		got = measure.Reading{Reason: "no larger than the noise, " + r.Text(), AtMost: r.Value, Unit: r.Unit, Frame: -1, Channel: -1}
	case r.Assumes != "":
		undecided(r.String(), "measure the gain in the same path: a test that plays, with calibration and input_calibration")
	case r.contradictsItself():
		undecided("its repeats contradict each other: "+valuesText(r), "find what changed between the recordings, and record all repeats again")
	case r.isNear(l):
		undecided(r.Text()+", and the limit lies within the uncertainty", "measure more exactly, or claim what the uncertainty leaves")
	}
	j := measure.Judge(subject, 0, measure.Readings{{Name: r.Reading, Reading: got}}, l)
	j.Advice = advice
	return j
}

// isNear reports whether the uncertainty of a row reaches over a limit.
func (r Row) isNear(l measure.Limit) bool {
	low, high := *r.Value-r.Uncertainty, *r.Value+r.Uncertainty
	inside := (l.Min == nil || *l.Min <= low) && (l.Max == nil || high <= *l.Max)
	outside := l.Min != nil && high < *l.Min || l.Max != nil && *l.Max < low
	return !inside && !outside
}
