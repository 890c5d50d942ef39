package bench

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Sheet returns the sheet of all recordings that were added.
func (c *Collector) Sheet() *Sheet {
	s := *c.sheet
	s.Findings = c.findings()
	for i := range c.items {
		for k, item := range c.items[i] {
			taken := c.taken[i][k]
			if n := c.plan.Repeats - len(taken); n > 0 {
				do := fmt.Sprintf("play and record %s.wav", item.FileName())
				if item.Unmarked {
					do = fmt.Sprintf("terminate the input, record %s-%s.wav", item.FileName(), item.Test)
				}
				s.Missing = append(s.Missing, Lack{fmt.Sprintf("%s, %s", item.Condition, item.Test), fmt.Sprintf("%d of %d recordings missing", n, c.plan.Repeats), do, item.Path.Name})
			}
			if item.Unmarked {
				taken = c.withInputNoise(i, item, taken)
			}
			for _, t := range taken {
				for n := range t.readings {
					if c.broken[t.sha256] && strings.HasPrefix(t.readings[n].Name, "drift_ppm") {
						instrument.WithoutDrift(&t.readings[n])
					}
				}
			}
			rows := rowsOf(item, taken)
			if item.Unmarked {
				c.assumeGain(i, item, rows)
			}
			s.Findings = append(s.Findings, contradictions(item, rows)...)
			s.Rows = append(s.Rows, rows...)
			if len(taken) > 0 {
				s.Curves = append(s.Curves, taken[0].curves...)
			}
		}
	}
	more, contradicting := c.derived(s.Rows)
	s.Rows = append(s.Rows, more...)
	s.Findings = append(append(s.Findings, contradicting...), wrongGains(s.Rows)...)
	for _, p := range c.processed {
		contradict(s.Rows, p.condition, p.suffix, p.sentence, noisePrefixes...)
	}
	s.Findings = slices.Concat(s.Findings, c.unsteadyGains(), mutedSilence(s.Rows), lowLevels(s.Rows), impossibleNoise(s.Rows))
	s.Claims = s.judge(c.plan)
	return &s
}

// rowsOf joins the recordings of an item into rows: the median, the spread and the values of
// every reading.
func rowsOf(item Item, taken []result) (rows []Row) {
	var names []string
	for _, t := range taken {
		for _, n := range t.readings {
			// A ratio in percent repeats the ratio in dB.
			if !strings.Contains(n.Name, "_percent") && !slices.Contains(names, n.Name) {
				names = append(names, n.Name)
			}
		}
	}
	for _, name := range names {
		rows = append(rows, joined(item, name, taken))
	}
	sameInMs(rows, item.RateHz)
	return rows
}

// sameInMs gives a time in ms the uncertainty of the same time in frames.
func sameInMs(rows []Row, rate int) {
	for i := range rows {
		name, suffix := rows[i].Reading, channelSuffix(rows[i].Reading)
		stem, isMs := strings.CutSuffix(strings.TrimSuffix(name, suffix), "_ms")
		twin := slices.IndexFunc(rows, func(r Row) bool { return r.Reading == stem+"_frames"+suffix })
		if isMs && twin >= 0 && rows[i].Value != nil {
			rows[i].Uncertainty = measure.JSONValue(rows[twin].Uncertainty * 1000 / float64(rate))
		}
	}
}

func joined(item Item, name string, taken []result) Row {
	var row Row
	var values []float64
	var all []*float64
	var digests, reasons []string
	for _, t := range taken {
		got, has := t.readings.Get(name)
		if !has {
			got = measure.Reading{Reason: "not among this recording's readings", Frame: -1, Channel: -1}
		}
		if row.Reading == "" || row.Value == nil && got.Measurable() {
			row = rowOf(item, measure.Named{Name: name, Reading: got})
		}
		digests = append(digests, t.sha256)
		if !got.Measurable() {
			all, reasons = append(all, nil), append(reasons, got.Reason)
			continue
		}
		v := measure.JSONValue(got.Value)
		all, values = append(all, &v), append(values, v)
		row.AtMost = row.AtMost || strings.Contains(got.Bound, "upper bound")
	}
	row.Values, row.Recordings = all, digests
	if !item.Unmarked {
		row.Stimulus = stimulus.Describe(item.Stimulus.Signal)
	}
	if len(values) == 0 {
		return row
	}
	slices.Sort(values)
	median := measure.JSONValue((values[(len(values)-1)/2] + values[len(values)/2]) / 2)
	row.Value, row.Reason = &median, ""
	spread := 0.0
	if len(values) > 1 {
		spread = measure.JSONValue(values[len(values)-1] - values[0])
		row.Spread = &spread
	}
	if len(reasons) > 0 {
		row.Bound = strings.TrimPrefix(fmt.Sprintf("%s; %d of %d repeats have no value: %s", row.Bound, len(reasons), len(all), reasons[0]), "; ")
	}
	row.Uncertainty = measure.JSONValue(max(stated(row.Bound), spread/2, resolution(row.Unit, median)))
	return row
}

var plusMinus = regexp.MustCompile(`±([0-9]+(?:\.[0-9]+)?(?:e[+-]?[0-9]+)?)`)

// stated returns the sum of the uncertainties in a bound's text.
func stated(bound string) (sum float64) {
	for _, found := range plusMinus.FindAllStringSubmatch(bound, -1) {
		if v, err := strconv.ParseFloat(found[1], 64); err == nil {
			sum += v
		}
	}
	return sum
}

// resolution is the least uncertainty of a reading, whatever its bound states: 0.01 dB, a
// hundredth of a frame or of a ppm, a ten-thousandth of a frequency, a thousandth of anything
// else, and 0 where there is no unit (a sign or a count). (own definition; the tests with
// simulated devices check the readings against it)
func resolution(unit string, value float64) float64 {
	switch {
	case strings.HasPrefix(unit, "dB"):
		return 0.01
	case unit == "frames" || unit == "ppm":
		return 0.01
	}
	switch unit {
	case "":
		return 0
	case "Hz":
		return math.Abs(value) * 1e-4
	}
	return math.Abs(value) * 1e-3
}
