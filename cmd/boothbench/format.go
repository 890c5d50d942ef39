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

// milliseconds is a number of frames as time.
func milliseconds(frames, rate int) float64 { return float64(frames) * 1000 / float64(rate) }

// plural is a count with its noun.
func plural[N int | int64](n N, noun string) string { return dsp.Plural(n, noun) }

// openBy is what a bound "±3.1 dB, …" leaves open, where the two decimals would hide it.
func openBy(bound string) string {
	words := strings.Fields(bound)
	if len(words) < 2 || !strings.HasPrefix(words[0], "±") {
		return ""
	}
	if v, err := strconv.ParseFloat(strings.TrimPrefix(words[0], "±"), 64); err != nil || v < 0.05 {
		return ""
	}
	return "  " + words[0] + " " + strings.TrimRight(words[1], ",;")
}

// printReadings prints readings as a table: name, value, unit, place.
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
			more := 0
			for i+1 < len(readings) && !readings[i+1].Measurable() && readings[i+1].Reason == r.Reason {
				i, more = i+1, more+1
			}
			switch {
			case more == 1:
				fmt.Fprintf(w, "  %-*s not measurable either\n", width, readings[i].Name)
			case more > 1:
				fmt.Fprintf(w, "  %-*s nor are %d more, up to %s\n", width, "", more, readings[i].Name)
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
