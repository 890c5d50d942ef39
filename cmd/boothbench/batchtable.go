package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/boothbench/boothbench/measure"
)

// printTable prints a row for every take, and the totals.
func printTable(w io.Writer, all []*report, took time.Duration) {
	fmt.Fprintf(w, "\n%-11s %10s %10s %12s %13s  take\n", "verdict", "LUFS", "dBTP", "reduction dB", "length")
	count := map[string]int{}
	var seconds float64
	for _, r := range all {
		verdict := r.verdict()
		count[verdict]++
		length := "-"
		if r.inFormat.Rate > 0 && r.err == nil {
			length = measure.TimeCode(r.inFrames, r.inFormat.Rate)
			seconds += float64(r.inFrames) / float64(r.inFormat.Rate)
		}
		fmt.Fprintf(w, "%-11s %10s %10s %12s %13s  %s\n", verdict, r.read("integrated_lufs"), r.read("true_peak_dbtp"), r.largestReduction(), length, r.in)
	}
	totals := fmt.Sprintf("%d of %s done", count["done"]+count["unchanged"]+count["was done"], plural(len(all), "take"))
	for _, other := range [][2]string{{"was done", "%d of them in an earlier run"}, {"unchanged", "%d of them unchanged"}, {"failed", "%d failed"}, {"interrupted", "%d interrupted"}} {
		if n := count[other[0]]; n > 0 {
			totals += ", " + fmt.Sprintf(other[1], n)
		}
	}
	fmt.Fprintf(w, "%s; %s of sound in %.1f s\n", totals, measure.TimeCode(int64(seconds*1000), 1000), took.Seconds())
}

// verdict is the result of a take in a word or two.
func (r *report) verdict() string {
	switch {
	case r.err != nil && exitCode(r.err) == exitInterrupted:
		return "interrupted"
	case r.err != nil:
		return "failed"
	case r.receipt != nil:
		return "was done"
	case r.kept:
		return "unchanged" // the same output was there
	}
	return "done"
}

// read is a reading of the output, from this run or from its receipt.
func (r *report) read(name string) string {
	if r.receipt != nil {
		if v := r.receipt.Readings[name]; v != nil {
			return fmt.Sprintf("%.2f", *v)
		}
		return "-"
	}
	if r.err != nil || r.metered == nil {
		return "-"
	}
	reading, ok := r.metered.readings().Get(name)
	if !ok || !reading.Measurable() {
		return "-"
	}
	return fmt.Sprintf("%.2f", reading.Value)
}

// largestReduction is the largest gain reduction of any stage, in dB.
func (r *report) largestReduction() string {
	most, any := 0.0, false
	take := func(db float64) { most, any = max(most, db), true }
	switch {
	case r.receipt != nil:
		for name, v := range r.receipt.Readings {
			if v != nil && strings.HasPrefix(name, reductionPrefix) {
				take(*v)
			}
		}
	case r.err == nil:
		for _, db := range r.reductions {
			take(db)
		}
	}
	if !any {
		return "-"
	}
	return fmt.Sprintf("%.2f", most)
}
