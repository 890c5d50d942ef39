package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// milliseconds is a number of frames as time.
func milliseconds(frames, rate int) float64 { return float64(frames) * 1000 / float64(rate) }

// plural is a count with its noun.
func plural[N int | int64](n N, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// printReadings prints readings as a table: name, value, unit, place.
func printReadings(w io.Writer, readings measure.Readings, f wave.Format) {
	width := 22
	for _, r := range readings {
		width = max(width, len(r.Name))
	}
	reason := ""
	for _, r := range readings {
		fmt.Fprintf(w, "  %-*s ", width, r.Name)
		if !r.Measurable() {
			if r.Reason == reason {
				fmt.Fprintln(w, "not measurable either")
			} else {
				fmt.Fprintf(w, "not measurable: %s\n", r.Reason)
			}
			reason = r.Reason
			continue
		}
		reason = ""
		line := fmt.Sprintf("%8s %-5s", strings.TrimSuffix(r.String(), " "+r.Unit), r.Unit)
		if r.Frame >= 0 {
			line += fmt.Sprintf("  at %s", measure.TimeCode(r.Frame, f.Rate))
			if r.Channel >= 0 && f.Channels > 1 {
				line += fmt.Sprintf(", channel %d", r.Channel+1)
			}
		}
		fmt.Fprintln(w, strings.TrimRight(line, " "))
	}
}
