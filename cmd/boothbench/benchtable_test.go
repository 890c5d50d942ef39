package main

import (
	"fmt"
	"io"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/measure/bench"
)

// A long series of levels takes one line of the table, unless all are asked for; the steps of
// 5 dB of the test linearity are all printed, also of two channels.
func TestLongSeriesTakesOneLine(t *testing.T) {
	zero := 0.0
	for _, c := range []struct {
		levels, channels, folded int
		all                      bool
		want                     int // lines of levels
	}{
		{121, 1, 1, false, 0}, {121, 2, 1, false, 0}, {121, 1, 0, true, 121}, {22, 1, 0, false, 22}, {22, 2, 0, false, 44},
	} {
		var s bench.Sheet
		for level := range c.levels {
			for channel := range c.channels {
				name := fmt.Sprintf("linearity_m%d_db", level)
				if c.channels > 1 {
					name += fmt.Sprintf("_ch%d", channel+1)
				}
				s.Rows = append(s.Rows, bench.Row{Path: "line", Condition: "48000 Hz", Test: "levels", Reading: name, Value: &zero, Unit: "dB"})
			}
		}
		s.Rows = append(s.Rows, bench.Row{Path: "line", Condition: "48000 Hz", Test: "levels", Reading: "linearity_worst_db", Value: &zero, Unit: "dB"})
		var text strings.Builder
		sheets := []*bench.Sheet{&s}
		printSideBySide(env{stdout: &results{w: &text, closed: func() {}}, stderr: io.Discard}, sheets, bench.Compare(sheets), nil, c.all)
		if got := strings.Count(text.String(), "linearity_m"); got != c.want || strings.Count(text.String(), fmt.Sprintf("%d levels; --all prints them", c.levels)) != c.folded || !strings.Contains(text.String(), "linearity_worst_db") {
			t.Errorf("%+v: %d lines:\n%s", c, got, &text)
		}
	}
}
