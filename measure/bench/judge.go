package bench

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/measure"
)

// judge holds the claims of the plan against the rows.
func (p *Plan) judge(rows []Row) (all []Judged) {
	for _, c := range p.Claims {
		found := false
		for _, r := range rows {
			if !r.isOf(c.Path, c.Test, c.Limit.Reading) {
				continue
			}
			found = true
			j := r.judged(p.Device, c.Limit)
			sentence := j.Sentence()
			if r.isNear(j.Limit) {
				sentence += fmt.Sprintf("; the limit lies within the uncertainty of ±%.2g %s", r.Uncertainty, r.Unit)
			}
			all = append(all, Judged{r.Path, r.Condition, r.Test, j.Verdict.String(), sentence, c.Why})
		}
		if !found {
			all = append(all, Judged{c.Path, "", c.Test, measure.Undecided.String(), c.Limit.Reading + ": no recording gave this reading", c.Why})
		}
	}
	return all
}

// Judge holds the rows of a sheet that have a reading against a limit: those of a path and of
// a test, where they are not "". Subject stands for the sheet. A reading that the sheet does not
// have is undecided.
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

// isOf reports whether a row is a reading, of any channel, of a path and a test, where these
// are not "".
func (r Row) isOf(path, test, reading string) bool {
	return (r.Reading == reading || strings.HasPrefix(r.Reading, reading+"_ch")) && (path == "" || path == r.Path) && (test == "" || test == r.Test)
}

// judged holds a row against a limit. A value that is an upper bound meets a limit above it,
// and decides nothing else.
func (r Row) judged(subject string, l measure.Limit) measure.Judgement {
	l.Reading = r.Reading
	got := r.Measured()
	if r.AtMost && r.Value != nil {
		got = measure.Reading{Reason: "no larger than the noise, " + r.Text(), AtMost: r.Value, Unit: r.Unit, Frame: -1, Channel: -1}
	}
	return measure.Judge(subject, 0, measure.Readings{{Name: r.Reading, Reading: got}}, l)
}

// isNear reports whether a bound of a limit lies within the uncertainty of a row.
func (r Row) isNear(l measure.Limit) bool {
	if r.Value == nil || r.AtMost {
		return false
	}
	return slices.ContainsFunc([]*float64{l.Min, l.Max}, func(bound *float64) bool {
		return bound != nil && math.Abs(*bound-*r.Value) < r.Uncertainty
	})
}
