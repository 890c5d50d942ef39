package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// milliseconds converts frames at a rate in Hz to ms.
func milliseconds(frames, rate int) float64 { return float64(frames) * 1000 / float64(rate) }

// plural is a count with its noun.
func plural[N int | int64](n N, noun string) string { return dsp.Plural(n, noun) }

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
		if open := r.Uncertainty(); open != "" {
			line += "  " + open
		}
		fmt.Fprintln(w, strings.TrimRight(line, " "))
	}
}
