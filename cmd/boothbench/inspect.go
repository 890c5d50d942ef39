package main

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/take"
)

const inspectUsage = `boothbench inspect looks for faults in takes: noise floor in the pauses, speech level,
hum, clipping, offset, dropouts, channels, used bits. It prints first what is wrong and
what to do, then all readings.

Usage: boothbench inspect TAKE.wav … [flags]

Examples:
  boothbench inspect take.wav
  boothbench inspect --json day1-host.wav day1-guest.wav
`

func runInspect(e env, args []string) error {
	f := e.flags("inspect", inspectUsage)
	asJSON := f.Bool("json", false, "print one JSON object per take")
	events := f.Int("events", 10, "list at most this many events: clips, flat tops, dropouts, plosives, sibilants (JSON: unless given, all that are kept: the longest ones)")
	raw := f.String("raw", "", "the takes are bare samples of this `format`, such as 48000,2,s24le")
	quiet := f.Bool("quiet", false, "no progress")
	if err := parse(f, args); err != nil {
		return err
	}
	if f.NArg() == 0 {
		return usageError("no take named; for example: boothbench inspect take.wav")
	}
	if *events < 1 {
		return usageError("--events: found %d; accepted: 1 or more", *events)
	}
	mostJSON := 2 * take.MostEvents
	if f.Changed("events") {
		mostJSON = *events
	}
	rawFormat, err := parseRaw(*raw)
	if err != nil {
		return err
	}
	takes, err := e.takesOf(f.Args(), "")
	if err != nil {
		return err
	}
	files := make([]measured, len(takes))
	for k, t := range takes {
		files[k] = &inspected{file: file{path: t.path, raw: rawFormat}, mostEvents: *events, mostJSON: mostJSON}
	}
	defer sparingMemory()()
	return e.measureEach("inspect", files, *asJSON, *quiet)
}

// inspected is a take and its inspection.
type inspected struct {
	file
	mostEvents, mostJSON int // to be listed
	*take.Inspection
}

func (i *inspected) run(e env, quiet bool) error {
	var shown *progress
	inspection, err := take.Inspect(e.ctx, func() (wave.Source, error) {
		r, err := i.open(e)
		if err != nil {
			return nil, err
		}
		if shown == nil {
			shown = newProgress(e.stderr, quiet, 2*i.frames) // the take is read twice
		}
		return &watchedSource{r, e.ctx, shown}, nil
	})
	if shown != nil {
		shown.clear()
	}
	i.Inspection = inspection
	return err
}

func (i *inspected) print(e env) {
	i.file.print(e)
	if len(i.Findings) == 0 {
		fmt.Fprintln(e.stdout, "  good: no fault found")
	}
	for _, f := range i.Findings {
		where := ""
		if f.Channel >= 0 && i.format.Channels > 1 {
			where += fmt.Sprintf(" (channel %d)", f.Channel+1)
		}
		if f.Frame >= 0 {
			where += fmt.Sprintf(" from %s, frame %d", measure.TimeCode(f.Frame, i.format.Rate), f.Frame)
		}
		fmt.Fprintf(e.stdout, "  %-7s  %s%s\n           -> %s\n", f.Severity, f.What, where, f.Do)
	}
	printReadings(e.stdout, i.Readings, i.format)
	listed := i.Events[:min(len(i.Events), i.mostEvents)]
	for _, event := range listed {
		where := ""
		if event.Channel >= 0 {
			where = fmt.Sprintf(", channel %d", event.Channel+1)
		}
		fmt.Fprintf(e.stdout, "  %-8s at %s, frame %d, %s%s\n", event.Kind, measure.TimeCode(event.Frame, i.format.Rate), event.Frame, plural(event.Frames, "frame"), where)
	}
	if more := len(i.Events) - len(listed); more > 0 {
		fmt.Fprintf(e.stdout, "  … and %d more (--events)\n", more)
	}
	if more := i.EventCount - int64(len(i.Events)); more > 0 {
		fmt.Fprintf(e.stdout, "  … and %d shorter ones, counted but not kept: the %d longest clips, flat tops and dropouts are kept, and as many plosives and sibilants\n", more, take.MostEvents)
	}
}

func (i *inspected) object(failed error) any {
	type finding struct {
		Severity string `json:"severity"`
		What     string `json:"what"`
		Do       string `json:"do"`
		Frame    *int64 `json:"frame,omitempty"`
		Channel  *int   `json:"channel,omitempty"`
	}
	type event struct {
		Kind    string   `json:"kind"`
		Frame   int64    `json:"frame"`
		Frames  int64    `json:"frames"`
		Channel *int     `json:"channel"`    // null: all
		Level   *float64 `json:"level_dbfs"` // null: digital silence
	}
	o := struct {
		headJSON
		Verdict  string           `json:"verdict,omitempty"`
		Findings []finding        `json:"findings"`
		Readings measure.Readings `json:"readings"`
		Events   []event          `json:"events"`
		Count    int64            `json:"events_count"`
	}{headJSON: i.head("inspect", failed), Findings: []finding{}, Events: []event{}}
	if failed != nil {
		return o
	}
	o.Readings, o.Verdict, o.Count = i.Readings, i.Verdict(), i.EventCount
	for _, f := range i.Findings {
		j := finding{Severity: f.Severity.String(), What: f.What, Do: f.Do}
		if f.Frame >= 0 {
			j.Frame = &f.Frame
		}
		if f.Channel >= 0 {
			channel := f.Channel + 1
			j.Channel = &channel
		}
		o.Findings = append(o.Findings, j)
	}
	for _, v := range i.Events[:min(len(i.Events), i.mostJSON)] {
		j := event{Kind: v.Kind, Frame: v.Frame, Frames: v.Frames}
		if v.Channel >= 0 {
			channel := v.Channel + 1
			j.Channel = &channel
		}
		if !math.IsInf(v.Level, -1) {
			j.Level = &v.Level
		}
		o.Events = append(o.Events, j)
	}
	return o
}
