package measure

import (
	"cmp"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Limit bounds one reading.
type Limit struct {
	Reading  string   // its name, which ends in its unit
	Min, Max *float64 // inclusive; nil: none
	Source   string   // what sets it: a specification, a claim; "" for nothing named
}

// Between makes a limit from a target and a tolerance in the reading's unit.
func Between(reading string, target, tolerance float64) Limit {
	low, high := target-tolerance, target+tolerance
	return Limit{Reading: reading, Min: &low, Max: &high}
}

// AtMost makes an upper limit.
func AtMost(reading string, most float64) Limit { return Limit{Reading: reading, Max: &most} }

// AtLeast makes a lower limit.
func AtLeast(reading string, least float64) Limit { return Limit{Reading: reading, Min: &least} }

// EveryReading is the name of the reading in a judgement about a subject that could not
// be measured at all.
const EveryReading = "every reading"

// Check returns an error for a limit that bounds nothing: one without bounds, with a
// bound that is not finite, or with its lower bound above the upper one, as a negative
// tolerance makes it.
func (l Limit) Check() error {
	for _, bound := range []*float64{l.Min, l.Max} {
		if bound != nil && *bound-*bound != 0 {
			return fmt.Errorf("%s: found the bound %g; accepted: finite numbers", l.Reading, *bound)
		}
	}
	switch {
	case l.Min == nil && l.Max == nil:
		return fmt.Errorf("%s: found no bound; accepted: a minimum, a maximum or both", l.Reading)
	case l.Min != nil && l.Max != nil && *l.Min > *l.Max:
		return fmt.Errorf("%s: found %g to %g; accepted: a minimum up to the maximum, and a tolerance of 0 or more", l.Reading, *l.Min, *l.Max)
	}
	return nil
}

// InEachChannel returns the limit itself if there is a reading of its name. If only
// single channels have it, it returns a limit for each channel.
func (l Limit) InEachChannel(readings Readings) []Limit {
	var all []Limit
	if _, one := readings.Get(l.Reading); !one {
		for _, r := range readings {
			if channel, of := strings.CutPrefix(r.Name, l.Reading+"_ch"); of && strings.Trim(channel, "0123456789") == "" {
				each := l
				each.Reading = r.Name
				all = append(all, each)
			}
		}
	}
	if len(all) == 0 {
		return []Limit{l}
	}
	return all
}

// Middle is the middle between the bounds; false if there is only one bound.
func (l Limit) Middle() (float64, bool) {
	if l.Min == nil || l.Max == nil {
		return 0, false
	}
	return (*l.Min + *l.Max) / 2, true
}

// String is the limit in words: "at most -1", "-23.2 to -22.8".
func (l Limit) String() string {
	switch {
	case l.Min == nil && l.Max == nil:
		return "any value"
	case l.Min == nil:
		return "at most " + boundText(*l.Max, 0)
	case l.Max == nil:
		return "at least " + boundText(*l.Min, 0)
	case *l.Min == *l.Max:
		return "exactly " + boundText(*l.Min, 0)
	}
	width := *l.Max - *l.Min
	return boundText(*l.Min, width) + " to " + boundText(*l.Max, width)
}

// boundText is a bound as people write it. One that four decimals can express (eight if
// it is below 0.01) is printed in full, as in a limits file. Others, which were computed,
// are printed to a hundredth of the limit's width, or to five significant digits where
// one side is open.
func boundText(v, width float64) string {
	decimals := 4
	if math.Abs(v) < 0.01 {
		decimals = 8
	}
	scale := math.Pow10(decimals)
	if written := math.Round(v*scale) / scale; math.Abs(written-v) > 1e-12*math.Abs(v) {
		finest := math.Abs(v) / 1e4
		if width > 0 {
			finest = width / 100
		}
		decimals = max(0, min(12, int(math.Ceil(-math.Log10(finest)))))
		scale = math.Pow10(decimals)
	}
	return strconv.FormatFloat(math.Round(v*scale)/scale+0, 'f', -1, 64) // + 0: no −0
}

// last is the last number of the limit in words.
func (l Limit) last() float64 {
	switch {
	case l.Max != nil:
		return *l.Max
	case l.Min != nil:
		return *l.Min
	}
	return math.NaN()
}

// Verdict is the result of a judgement.
type Verdict int

// The verdicts. Undecided, the reading could not be measured, does not meet the limit;
// it is the zero value, so that what was never judged passes nowhere.
const (
	Undecided Verdict = iota
	Pass
	Fail
)

// String is the word that reports use.
func (v Verdict) String() string { return [...]string{"undecided", "pass", "fail"}[v] }

// Judgement is one reading compared with one limit.
type Judgement struct {
	Subject string // the file or chain
	Rate    int    // Hz, for time codes; 0: none
	Limit
	Got     Reading
	Verdict Verdict
	// Advice says what to do, if more is known about the cause than the reading shows.
	// "": Do chooses the advice.
	Advice string
}

// Judge compares readings with a limit. The rate in Hz is that of the sound. The value is
// first rounded as [JSONValue] rounds it, so that a value that exceeds a limit by
// rounding alone meets it. A limit that bounds nothing is undecided.
func Judge(subject string, rate int, readings Readings, l Limit) Judgement {
	r := Judgement{Subject: subject, Rate: rate, Limit: l, Verdict: Pass}
	got, ok := readings.Get(l.Reading)
	if !ok {
		got = Reading{Reason: "no instrument gave it", Frame: -1, Channel: -1}
		if _, known := Explain(l.Reading); known {
			got.Reason = cmp.Or(readings.commonReason(), got.Reason)
		}
	}
	r.Got = got
	value := JSONValue(got.Value)
	if got.Beyond != 0 {
		value = math.Inf(got.Beyond)
	}
	switch {
	case l.Check() != nil:
		r.Verdict, r.Got = Undecided, Reading{Reason: l.Check().Error(), Frame: -1, Channel: -1}
	case !got.Measurable() && got.Beyond == 0:
		r.Verdict = Undecided
		if got.AtMost != nil && l.Min == nil && JSONValue(*got.AtMost) <= JSONValue(*l.Max) {
			r.Verdict = Pass
		}
	case l.Min != nil && !(value >= JSONValue(*l.Min)), l.Max != nil && !(value <= JSONValue(*l.Max)):
		r.Verdict = Fail
	}
	return r
}

// off is how far the value is outside the limit: above 0 over the upper bound, below 0
// under the lower one.
func (r Judgement) off() float64 {
	switch {
	case r.Max != nil && r.Got.Value > *r.Max:
		return r.Got.Value - *r.Max
	case r.Min != nil && r.Got.Value < *r.Min:
		return r.Got.Value - *r.Min
	}
	return 0
}

// String is one line: verdict, subject, reading, value, limit, place and what to do.
func (r Judgement) String() string { return fmt.Sprintf("%-9s  %s", r.Verdict, r.Sentence()) }

// Sentence is String without the verdict.
func (r Judgement) Sentence() string {
	if r.Reading == EveryReading {
		return fmt.Sprintf("%s: nothing was measured: %s", r.Subject, r.Got.Reason)
	}
	if err := r.Check(); err != nil {
		return fmt.Sprintf("%s: the limit is not usable: %v", r.Subject, err)
	}
	s := fmt.Sprintf("%s: %s is ", r.Subject, r.Reading)
	switch {
	case r.Verdict == Undecided && strings.HasPrefix(r.Got.Reason, undecided):
		s += "undecided (" + r.Got.Reason[len(undecided):] + ")"
	case r.Verdict == Undecided:
		s += "not measurable (" + r.Got.Reason + ")"
	case !r.Got.Measurable():
		s += r.Got.Reason
	default:
		s += r.Got.text(r.off())
		if strings.HasPrefix(r.Got.Bandwidth, "third octave at ") {
			s += " in the " + r.Got.Bandwidth
		}
		if r.Got.Frame >= 0 && r.Rate > 0 {
			s += fmt.Sprintf(" at %s (frame %d)", TimeCode(r.Got.Frame, r.Rate), r.Got.Frame)
		}
	}
	s += strings.TrimRight(fmt.Sprintf(", limit %s %s", r.Limit, unitBehind(r.last(), r.Got.UnitText())), " ")
	if r.Source != "" {
		s += " (" + r.Source + ")"
	}
	if do := r.Do(); do != "" {
		s += ": " + do
	}
	return s
}

// Do says what to do about a limit that is not met. It is "" for one that is met.
func (r Judgement) Do() string {
	if r.Verdict == Pass {
		return ""
	}
	if r.Check() != nil {
		return ""
	}
	if r.Advice != "" {
		return r.Advice
	}
	if r.Reading == "missing_files" {
		return r.Got.Definition
	}
	switch {
	case r.Verdict == Fail && r.Got.Beyond < 0:
		return "this is below every limit"
	case r.Verdict == Fail && r.Got.Beyond > 0:
		return "this is above every limit"
	case !r.Got.Measurable():
		return "use a sound in which it can be measured, or remove the limit"
	}
	by := r.off()
	amount := Reading{Value: max(by, -by), Unit: differenceUnit(r.Got.Unit)}.text(by)
	if remedy, known := remedies[r.Reading]; known {
		text := remedy.under
		if by > 0 {
			text = remedy.over
		}
		if text != "" {
			return strings.Replace(text, "%s", amount, 1)
		}
	}
	if by > 0 {
		return amount + " too much"
	}
	return amount + " too little"
}

// remedies say what to do about common readings; %s is the amount.
var remedies = map[string]struct{ over, under string }{
	"integrated_lufs":       {"lower the level by %s", "raise the level by %s, and check the peaks"},
	"short_term_max_lufs":   {"lower the loudest passage by %s, or compress more", ""},
	"momentary_max_lufs":    {"lower the loudest passage by %s, or compress more", ""},
	"sample_peak_dbfs":      {"lower the level by %s, or limit", ""},
	"true_peak_dbtp":        {"lower the level by %s, or end the chain with a limiter", ""},
	"true_peak_annex2_dbtp": {"lower the level by %s, or end the chain with a limiter", ""},
	"true_peak_fine_dbtp":   {"lower the level by %s, or end the chain with a limiter", ""},
	"channels":              {"make a file with fewer channels, or choose a specification for this many", "make a file with more channels, or choose a specification for this many"},
	"rate_hz":               {"deliver at a lower rate, or choose another specification", "record or deliver at a higher rate, or choose another specification"},
	"duration_s":            {"shorten it by %s", "%s are missing"},
	"noise_floor_dbfs":      {"quieten the room or expand: %s too much noise", ""},
	"noise_floor_a_dbfs":    {"quieten the room or expand: %s too much noise", ""},
	"spectrum_change_db":    {"%s beyond the limit: find what changed that band, or record the baseline again if it is meant", "%s beyond the limit: find what changed that band, or record the baseline again if it is meant"},
	"level_change_db":       {"%s beyond the limit: find what changed the level there, or record the baseline again if it is meant", "%s beyond the limit: find what changed the level there, or record the baseline again if it is meant"},
	"residual_dbfs":         {"the sound has changed: %s more difference than accepted", ""},
	"null_depth_db":         {"", "the sound has changed: the null depth is %s too small"},
}

// differenceUnit is the unit of a difference of two values.
func differenceUnit(unit string) string {
	switch unit {
	case "LUFS", "LU":
		return "LU"
	case "dBFS", "dBTP", "dBu", "dBV":
		return "dB"
	}
	return unit
}
