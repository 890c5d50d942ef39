package main

import (
	"fmt"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// checkCeiling refuses a ceiling outside -120 to 60 dBTP.
func checkCeiling(flag string, dbtp float64) error {
	if dbtp >= -120 && dbtp <= 60 {
		return nil
	}
	return usageError("--%s: found %g; accepted: -120 to 60 dBTP", flag, dbtp)
}

// overLine is the printed line of an over.
func overLine(o measure.Over, rate int) string {
	line := fmt.Sprintf("at %s, frame %d, %s", measure.TimeCode(o.Frame, rate), o.Frame, plural(o.Frames, "frame"))
	if o.Above != o.Frames {
		line += fmt.Sprintf(" (%d over)", o.Above)
	}
	return line + fmt.Sprintf(", channel %d: %s by samples, %s by Annex 2, %s by the fine reading", o.Channel+1,
		level(o.Sample, "dBFS"), level(o.Annex2, "dBTP"), level(o.Fine, "dBTP"))
}

func level(amplitude float64, unit string) string {
	if amplitude == 0 {
		return "0"
	}
	return fmt.Sprintf("%.2f %s", dsp.AmplitudeToDB(amplitude), unit)
}

// overJSON is an over in JSON.
type overJSON struct {
	Time        string   `json:"time"`
	Frame       int64    `json:"frame"`
	Frames      int64    `json:"frames"`
	Above       int64    `json:"frames_over"`
	Channel     int      `json:"channel"`
	Sample      *float64 `json:"sample_peak_dbfs"` // null: the sample is 0
	Annex2      *float64 `json:"true_peak_dbtp"`
	Fine        *float64 `json:"true_peak_fine_dbtp"`
	Exceeds     []string `json:"exceeds"`
	FirstWindow bool     `json:"first_window"`
}

func oversObject(events []measure.Over, ceilingDBTP float64, rate int) []overJSON {
	objects := make([]overJSON, len(events))
	inDB := func(amplitude float64) *float64 {
		if amplitude == 0 {
			return nil
		}
		db := dsp.AmplitudeToDB(amplitude)
		return &db
	}
	for i, e := range events {
		objects[i] = overJSON{
			measure.TimeCode(e.Frame, rate), e.Frame, e.Frames, e.Above, e.Channel + 1,
			inDB(e.Sample), inDB(e.Annex2), inDB(e.Fine), e.Exceeds(ceilingDBTP), e.FirstWindow,
		}
	}
	return objects
}

// mostOvers is how many overs are kept: with --json the meter's default unless --events
// was given, else as many as are printed.
func mostOvers(events int, given, asJSON bool) int {
	if asJSON && !given {
		return 0
	}
	return events
}
