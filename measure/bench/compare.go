package bench

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/dsp"
)

// Comparison compares one reading of several devices under one condition.
type Comparison struct {
	Path, Condition, Test, Reading string
	Rows                           []*Row // one for each device; nil: its sheet has none
	Equal                          bool   // all differences lie within the uncertainties
	Bounds                         bool   // all values are upper bounds: which device has the least is not known
	Best                           []bool // by device; several where they are equal
	Why                            string // reason why they cannot be compared; "" where they can
}

// Compare compares sheets, reading by reading. The order is that of the first sheet that has a
// reading.
func Compare(sheets []*Sheet) (all []Comparison) {
	type key struct{ path, condition, test, reading string }
	at := map[key]int{}
	for d, s := range sheets {
		for i := range s.Rows {
			r := &s.Rows[i]
			k := key{r.Path, r.Condition, r.Test, r.Reading}
			n, known := at[k]
			if !known {
				n = len(all)
				at[k] = n
				all = append(all, Comparison{Path: r.Path, Condition: r.Condition, Test: r.Test, Reading: r.Reading, Rows: make([]*Row, len(sheets))})
			}
			all[n].Rows[d] = r
		}
	}
	for i := range all {
		all[i].judge(sheets)
	}
	return all
}

func (c *Comparison) judge(sheets []*Sheet) {
	c.Best = make([]bool, len(c.Rows))
	var first *Row
	measurable := 0
	for d, r := range c.Rows {
		if r == nil {
			c.Why = "not in the sheet of " + sheets[d].Device
			return
		}
		if first == nil {
			first = r
		}
		if r.Value != nil {
			measurable++
		}
		for _, part := range [][3]string{{"unit", r.Unit, first.Unit}, {"reference", r.Reference, first.Reference}, {"weighting", r.Weighting, first.Weighting}, {"bandwidth", r.Bandwidth, first.Bandwidth}, {"stimulus", r.Stimulus, first.Stimulus}} {
			// Each device may have been calibrated at a voltage of its own.
			if part[0] == "reference" && r.Unit == "dBu" {
				continue
			}
			if part[1] != part[2] {
				c.Why = fmt.Sprintf("the %s differs: %q and %q", part[0], part[2], part[1])
				return
			}
		}
	}
	if measurable == 0 {
		c.Why = "not measurable in any: " + first.Reason
		return
	}
	for d, r := range c.Rows {
		switch {
		case r.Value == nil:
			c.Why = fmt.Sprintf("not measured on %s: %s", sheets[d].Device, r.Reason)
			return
		case r.Contradicted != "" && len(c.Rows) > 1:
			c.Why = fmt.Sprintf("on %s, %s", sheets[d].Device, r.Contradicted)
			return
		case r.Assumes != "" && len(c.Rows) > 1:
			c.Why = fmt.Sprintf("that of %s is with %s, which was not measured", sheets[d].Device, r.Assumes)
			return
		}
	}
	if len(c.Rows) < 2 {
		return
	}
	better := betterThan(c.Reading)
	best := -1
	var bounds []int
	for d, r := range c.Rows {
		switch {
		case r.AtMost:
			bounds = append(bounds, d)
		case best < 0 || better != nil && better(*c.Rows[best].Value, *r.Value):
			best = d
		}
	}
	switch {
	case best < 0:
		c.Bounds = true
	case len(bounds) > 0 && better != nil:
		c.judgeBounds(sheets, bounds, better, *c.Rows[best])
	case len(bounds) == 0:
		c.Equal = true
		for d, r := range c.Rows {
			for _, other := range c.Rows[:d] {
				c.Equal = c.Equal && within(*r, *other)
			}
		}
		if better == nil || c.Equal {
			return
		}
		for d, r := range c.Rows {
			c.Best[d] = d == best || within(*r, *c.Rows[best])
		}
	}
}

// OnlyBounds is the note of a row whose values are all upper bounds.
const OnlyBounds = "upper bounds"

// Note returns what a table states beside the values of the row; "" where one device is the
// best.
func (c Comparison) Note() string {
	switch {
	case c.Why != "":
		return "cannot be compared: " + c.Why
	case c.Bounds:
		return OnlyBounds
	case c.Equal:
		return "equal"
	case len(c.Rows) == 1 && c.Rows[0] != nil && c.Rows[0].Contradicted != "":
		return "but " + c.Rows[0].Contradicted
	case len(c.Rows) == 1 && c.Rows[0] != nil && c.Rows[0].Assumes != "":
		return "with " + c.Rows[0].Assumes + ", which was not measured"
	}
	return ""
}

// judgeBounds judges a row in which some devices have an upper bound and others a value;
// measured is the best of these values. The true value of a bound may lie anywhere below it. So
// a bound is the best only if it is the only one in the row and is itself better than the best
// value.
func (c *Comparison) judgeBounds(sheets []*Sheet, bounds []int, better func(a, b float64) bool, measured Row) {
	if r := *c.Rows[bounds[0]]; len(bounds) == 1 && better(*measured.Value, *r.Value) && !within(r, measured) {
		c.Best[bounds[0]] = true
		return
	}
	var known []string
	for _, d := range bounds {
		known = append(known, fmt.Sprintf("%s is known only to be at most %s", sheets[d].Device, c.Rows[d].Measured()))
	}
	c.Why = strings.Join(known, ", ")
}

// leastLatency returns one frame in the unit of a row of latency, and 0 for other rows. A
// smaller difference of latencies does not count: the dispersion of a filter moves the start of
// its response by fractions of a frame.
func leastLatency(r Row) float64 {
	if !strings.HasPrefix(r.Reading, "latency_") && !strings.HasPrefix(r.Reading, "round_trip_") {
		return 0
	}
	if r.Unit == "frames" {
		return 1
	}
	for _, part := range strings.Split(r.Condition, ", ") {
		rate := 0.0
		if n, _ := fmt.Sscanf(part, "%g Hz", &rate); n == 1 && rate > 0 {
			return 1000 / rate
		}
	}
	return 0
}

// within reports whether two values differ by no more than the sum of their uncertainties.
func within(a, b Row) bool {
	return math.Abs(*a.Value-*b.Value) <= max(a.Uncertainty+b.Uncertainty, leastLatency(a))
}

// betterThan returns a function that reports whether the second of two values of a reading is
// better than the first; nil for readings of which no value is better than another.
func betterThan(reading string) func(a, b float64) bool {
	less := func(a, b float64) bool { return b < a }
	more := func(a, b float64) bool { return b > a }
	nearer := func(a, b float64) bool { return math.Abs(b) < math.Abs(a) }
	for _, known := range []struct {
		prefix string
		better func(a, b float64) bool
	}{
		{"harmonic", less}, {"thd_", less}, {"modulation_distortion", less}, {"difference_distortion", less},
		{"idle_noise", less}, {"mains_", less}, {"noise_dbfs", less}, {"equivalent_input_noise", less}, {"noise_figure", less}, {"headphone_noise", less},
		{"crosstalk", less}, {"latency", less}, {"round_trip", less}, {"output_impedance", less}, {"load_drop", less},
		{"dynamic_range", more}, {"maximum_", more}, {"gain_range", more}, {"full_scale_input", more}, {"response_max", nearer}, {"response_min", nearer}, {"ripple_db", less},
		{"channel_balance", nearer}, {"gain_error", nearer}, {"overshoot", less}, {"first_window_overshoot", less}, {"response_spread", less}, {"lower_corner", less}, {"upper_corner", more}, {"drift_ppm", nearer},
	} {
		if strings.HasPrefix(reading, known.prefix) {
			return known.better
		}
	}
	return nil
}

// By sorts the devices by a reading, the best first, and returns the row that decided. That is
// the first row of this name in which all devices can be compared; the row of the largest
// overshoot of all signals precedes those of single signals. If there is none, row is nil, and
// why is the reason that the first row of this name cannot be compared, or "" if no sheet has
// the reading.
func By(sheets []*Sheet, reading string) (sorted []*Sheet, row *Comparison, why string) {
	for _, c := range Compare(sheets) {
		switch {
		case c.Reading != reading:
		case c.Why != "" || c.Bounds:
			why = cmp.Or(why, fmt.Sprintf("%s, %s, %s: %s", c.Path, c.Condition, c.Test, c.Note()))
		case row == nil || c.Test == overshootTest && row.Test != overshootTest:
			row = &c
		}
	}
	if row == nil {
		return sheets, nil, why
	}
	better := betterThan(reading)
	order := make([]int, len(sheets))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		x, y := *row.Rows[a].Value, *row.Rows[b].Value
		switch {
		case x == y:
			return 0
		case better != nil && better(y, x), better == nil && x > y:
			return -1
		}
		return 1
	})
	for _, at := range order {
		sorted = append(sorted, sheets[at])
	}
	return sorted, row, ""
}

// Differs lists what was not the same for all devices.
func Differs(sheets []*Sheet) (all []string) {
	for _, s := range sheets {
		if s.PlanSHA256 != sheets[0].PlanSHA256 {
			all = append(all, fmt.Sprintf("%s was measured by another plan than %s: rows are compared where path, condition and stimulus are the same", s.Device, sheets[0].Device))
		}
		if n := len(s.Missing); n > 0 {
			all = append(all, fmt.Sprintf("%s: %s missing, the first of %s", s.Device, dsp.Plural(n, "recording"), s.Missing[0].Of))
		}
		if n := len(s.Void); n > 0 {
			all = append(all, fmt.Sprintf("%s: %d void, the first: %s", s.Device, n, s.Void[0].What))
		}
		if n := len(s.Findings); n > 0 {
			all = append(all, fmt.Sprintf("%s: %s, the first: %s", s.Device, dsp.Plural(n, "finding"), s.Findings[0].What))
		}
	}
	return all
}
