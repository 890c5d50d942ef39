package main

import (
	"fmt"
	"io"
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

// openBy returns the uncertainty in a bound such as "±3.1 dB, …", "" where it is below
// 0.05 and the two printed decimals are right.
func openBy(bound string) string {
	if strings.Contains(bound, "the noise") && strings.Contains(bound, "upper bound") {
		return "  at most"
	}
	words := strings.Fields(bound)
	if len(words) < 2 || !strings.HasPrefix(words[0], "±") {
		return ""
	}
	if v, err := strconv.ParseFloat(strings.TrimPrefix(words[0], "±"), 64); err != nil || v < 0.05 {
		return ""
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
		line += openBy(r.Bound)
		fmt.Fprintln(w, strings.TrimRight(line, " "))
	}
}
