package compare

import "strings"

// AtRate is a difference of sounds at a rate in Hz, which its time codes need.
func (d Difference) AtRate(rate int) Difference {
	d.rate = rate
	return d
}

// Sentence states in one sentence how B differs: "B is 14 frames later, 1.30 dB
// quieter; it has one click at 00:00:06.250, -26.0 dBFS". It is empty without a
// difference.
func Sentence(all []Difference) string {
	var is, has []string
	for _, d := range all {
		if verb, text := d.clause(); verb == "is" {
			is = append(is, text)
		} else {
			has = append(has, text)
		}
	}
	var clauses []string
	if len(is) > 0 {
		clauses = append(clauses, "is "+strings.Join(is, ", "))
	}
	if len(has) > 0 {
		clauses = append(clauses, "has "+strings.Join(has, " and "))
	}
	if len(clauses) == 0 {
		return ""
	}
	return "B " + strings.Join(clauses, "; it ")
}
