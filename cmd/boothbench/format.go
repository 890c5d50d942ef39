package main

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// milliseconds converts frames at a rate in Hz to ms.
func milliseconds(frames, rate int) float64 { return float64(frames) * 1000 / float64(rate) }

// plural is a count with its noun.
func plural[N int | int64](n N, noun string) string { return dsp.Plural(n, noun) }

// openBy returns the uncertainty in a bound such as "±3.1 dB, …" behind a printed value,
// "" where it is no more than half of the value's last digit. Of a value in percent that
// is open by some dB two decimals count.
func openBy(bound, value, unit string) string {
	if strings.Contains(bound, "upper bound") {
		return "  at most"
	}
	words := strings.Fields(bound)
	if len(words) < 2 || !strings.HasPrefix(words[0], "±") {
		return ""
	}
	number, alone := strings.CutSuffix(strings.TrimPrefix(words[0], "±"), ",")
	_, decimals, _ := strings.Cut(value, ".")
	if unit == "%" {
		decimals = "00"
	}
	if v, err := strconv.ParseFloat(number, 64); err != nil || v <= 0.5*math.Pow10(-len(decimals)) {
		return ""
	}
	if alone {
		return "  ±" + number
	}
	return "  " + words[0] + " " + strings.TrimRight(words[1], ",;:")
}

// printReadings prints readings as a table: name, value, unit, time code and channel.
func printReadings(w io.Writer, readings measure.Readings, f wave.Format) {
	width := 22
	for _, r := range readings {
		width = max(width, len(r.Name))
	}
	for i := 0; i < len(readings); i++ {
		r := readings[i]
		fmt.Fprintf(w, "  %-*s ", width, r.Name)
		if !r.Measurable() {
			fmt.Fprintf(w, "not measurable: %s\n", r.Reason)
			for i+1 < len(readings) && !readings[i+1].Measurable() && readings[i+1].Reason == r.Reason {
				i++
				fmt.Fprintf(w, "  %-*s not measurable: the same reason\n", width, readings[i].Name)
			}
			continue
		}
		value, unit, _ := strings.Cut(r.String(), " ")
		line := fmt.Sprintf("%8s %-5s", value, unit)
		if r.Frame >= 0 {
			line += fmt.Sprintf("  at %s", measure.TimeCode(r.Frame, f.Rate))
			if r.Channel >= 0 && f.Channels > 1 {
				line += fmt.Sprintf(", channel %d", r.Channel+1)
			}
		}
		line += openBy(r.Bound, value, unit)
		fmt.Fprintln(w, strings.TrimRight(line, " "))
	}
}
