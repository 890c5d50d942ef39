package bench

import (
	"fmt"
	"math"
	"strings"
)

// contradictions are the readings of an item whose repeats differ by more than their own
// uncertainty and by more than repeats of one device do.
func contradictions(item Item, rows []Row) []Lack {
	var names []string
	for _, r := range rows {
		if r.Spread == nil || r.AtMost || *r.Spread <= 2*max(stated(r.Bound), resolution(r.Unit, *r.Value)) || *r.Spread <= repeatable(r) {
			continue
		}
		names = append(names, fmt.Sprintf("%s (%s)", r.Reading, valuesText(r)))
	}
	if len(names) == 0 {
		return nil
	}
	more := ""
	if len(names) > 3 {
		names, more = names[:3], fmt.Sprintf(" and %d more", len(names)-3)
	}
	return []Lack{{
		fmt.Sprintf("%s, %s", item.Condition, item.Test),
		"its repeats contradict each other: " + strings.Join(names, ", ") + more,
		"something changed between the recordings: a control, a cable, automatic gain, hum; find it, and record all repeats again. The sheet holds their median and every value",
	}}
}

// leastWrongGainDB is from where on a difference of gains is no error of a control's
// scale. (common practice, no source)
const leastWrongGainDB = 6

// wrongGains are the gains that differ so much from what the plan says that the control
// was not at it.
func wrongGains(rows []Row) (all []Lack) {
	for _, r := range rows {
		if strings.HasPrefix(r.Reading, "gain_error_db") && r.Value != nil && math.Abs(*r.Value) >= leastWrongGainDB {
			all = append(all, Lack{
				fmt.Sprintf("%s, %s", r.Path, r.Condition),
				fmt.Sprintf("%s is %+.1f dB: the control did not stand where the plan says, here or at the lowest gain", r.Reading, *r.Value),
				"set the gains as the plan says, or put those of the device into the plan, and record again",
			})
		}
	}
	return all
}

func valuesText(r Row) string {
	var all []string
	for _, v := range r.Values {
		if v == nil {
			all = append(all, "none")
			continue
		}
		all = append(all, fmt.Sprintf("%.2f", *v))
	}
	return strings.TrimSpace(strings.Join(all, ", ") + " " + r.Unit)
}

// repeatable is by how much repeats of one device may differ without a finding. A latency
// may differ from one start to the next: round_trip_spread_frames states it. Clocks of two
// boxes drift as they warm up. (common practice, no source)
func repeatable(r Row) float64 {
	switch {
	case strings.HasPrefix(r.Reading, "latency_"), strings.HasPrefix(r.Reading, "drift_"), strings.HasPrefix(r.Reading, "remaining_delay"):
		return math.Inf(1)
	case strings.HasPrefix(r.Reading, "gain_"), strings.HasPrefix(r.Reading, "tone_dbfs"), strings.HasPrefix(r.Reading, "channel_balance"):
		return 0.1 // dB
	case strings.HasPrefix(r.Unit, "dB"):
		return 3 // of noise and distortion
	}
	return 0.2 * math.Abs(*r.Value)
}
