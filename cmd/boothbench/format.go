package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
)

// timeCode is a frame as hh:mm:ss.mmm, rounded down so that it never points
// past what it names.
func timeCode(frame int64, rate int) string {
	ms := frame * 1000 / int64(rate)
	return fmt.Sprintf("%02d:%02d:%02d.%03d", ms/3_600_000, ms/60_000%60, ms/1000%60, ms%1000)
}

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
			line += fmt.Sprintf("  at %s", timeCode(r.Frame, f.Rate))
			if r.Channel >= 0 && f.Channels > 1 {
				line += fmt.Sprintf(", channel %d", r.Channel+1)
			}
		}
		fmt.Fprintln(w, strings.TrimRight(line, " "))
	}
}
