package bench

import (
	"fmt"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/measure"
)

// FindingsReading is the number of a sheet's findings, which a limit may be about.
const FindingsReading = "findings"

// Unaccepted returns the findings of a path, or of all where path is "", without those that
// have one of the accepted phrases in their sentences.
func (s *Sheet) Unaccepted(path string, accepted []string) (all []Lack) {
	for _, f := range s.Findings {
		if (path == "" || f.Path == "" || path == f.Path) && !isAccepted(f.What, accepted) {
			all = append(all, f)
		}
	}
	return all
}

func isAccepted(sentence string, accepted []string) bool {
	return slices.ContainsFunc(accepted, func(phrase string) bool { return strings.Contains(sentence, phrase) })
}

// mostQuoted is how many findings a judgement of their number quotes.
const mostQuoted = 3

// judgeFindings compares the number of findings with a limit.
func (s *Sheet) judgeFindings(subject, path string, accepted []string, l measure.Limit) measure.Judgement {
	found := s.Unaccepted(path, accepted)
	got := measure.Reading{Value: float64(len(found)), Unit: "findings", Frame: -1, Channel: -1}
	j := measure.Judge(subject, 0, measure.Readings{{Name: l.Reading, Reading: got}}, l)
	var quoted []string
	for i, f := range found {
		if i == mostQuoted {
			quoted = append(quoted, fmt.Sprintf("and %d more", len(found)-i))
			break
		}
		quoted = append(quoted, strings.TrimSuffix(f.Of+": "+f.What+": "+f.Do, ": "))
	}
	j.Advice = strings.Join(quoted, "; ")
	return j
}

// judge compares the claims of the plan with the rows and findings.
func (s *Sheet) judge(p *Plan) (all []Judged) {
	for _, c := range p.Claims {
		if c.Limit.Reading == FindingsReading {
			j := s.judgeFindings(p.Device, c.Path, nil, c.Limit)
			all = append(all, Judged{c.Path, "", c.Test, j.Verdict.String(), j.Sentence(), c.Why})
			continue
		}
		found := false
		for _, r := range s.Rows {
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
// sheet does not have is undecided, and so is one that a finding contradicts, unless the
// finding's sentence has one of the accepted phrases. The number of findings that have none of
// them is a reading too.
func (s *Sheet) Judge(subject, path, test string, accepted []string, l measure.Limit) (all []measure.Judgement) {
	if l.Reading == FindingsReading {
		of := slices.DeleteFunc([]string{subject, path}, func(part string) bool { return part == "" })
		return []measure.Judgement{s.judgeFindings(strings.Join(of, ", "), path, accepted, l)}
	}
	for _, r := range s.Rows {
		if r.isOf(path, test, l.Reading) {
			if isAccepted(r.Contradicted, accepted) {
				r.Contradicted = ""
			}
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
// undecided otherwise. Undecided too are a value that a finding contradicts, one that rests on
// an assumption, one whose repeats contradict each other, and one whose uncertainty reaches over
// the limit.
func (r Row) judged(subject string, l measure.Limit) measure.Judgement {
	l.Reading = r.Reading
	got, advice := r.Measured(), ""
	undecided := func(why, do string) {
		got, advice = measure.Reading{Reason: "undecided: " + why, Unit: r.Unit, Frame: -1, Channel: -1}, do
	}
	switch {
	case r.Value == nil:
	case r.Contradicted != "":
		undecided(r.Text()+", but "+r.Contradicted, "do what the sheet says at that finding, and measure again")
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
