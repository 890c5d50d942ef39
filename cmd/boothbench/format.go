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
	for _, r := range readings {
		fmt.Fprintf(w, "  %-22s ", r.Name)
		if !r.Measurable() {
			fmt.Fprintf(w, "not measurable: %s\n", r.Reason)
			continue
		}
		line := fmt.Sprintf("%8.2f %-5s", r.Value, r.Unit)
		if r.Frame >= 0 {
			line += fmt.Sprintf("  at %s", measure.TimeCode(r.Frame, f.Rate))
			if r.Channel >= 0 && f.Channels > 1 {
				line += fmt.Sprintf(", channel %d", r.Channel+1)
			}
		}
		fmt.Fprintln(w, strings.TrimRight(line, " "))
	}
}
