package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/expect"
	pages "github.com/boothbench/boothbench/measure/report"
	"github.com/boothbench/boothbench/measure/take"
)

const meterUsage = `boothbench meter measures files in one pass each: loudness (integrated, range,
largest momentary and short-term), sample peak, and true peak by the standard's
interpolator (Rec. ITU-R BS.1770-5 Annex 2) and by a finer one (the fine reading: a
256-tap sinc at 64 places between two samples). Where a reading cannot be measured,
the reason is printed in its place. With --spec it warns of a channel of a stereo file that
is silent or far softer, and of channels that cancel in mono.

Usage: boothbench meter FILE.wav … [flags]

Examples:
  boothbench meter take.wav
  boothbench meter --spec ebu-r128 master.wav    (whether it meets a delivery specification)
  boothbench meter --json --mono dual-mono ep1.wav ep2.wav
  boothbench meter --over -1 master.wav     (where it is over -1 dBTP)
  boothbench meter --series loudness.csv master.wav
`

func runMeter(e env, args []string) error {
	f := e.flags("meter", meterUsage)
	mono := f.String("mono", "as-is", "`how` a file of one channel counts: as-is, or dual-mono (as two equal channels, 3.01 LU more)")
	spec := f.String("spec", "", "also check each file against the delivery specification of this `name` (boothbench specs lists them); exit code 1 where one does not meet it")
	over := f.Float64("over", 0, "also list where samples, Annex 2 or the fine reading exceed this level in `dBTP`; it is not a limit: the exit code stays 0")
	events := f.Int("events", 10, "list at most this many overs, the worst ones in order of time (JSON: 1000 unless given)")
	series := f.String("series", "", "write the loudness of every 100 ms of the one file to this CSV `file`")
	replace := f.Bool("replace", false, "write over an existing series")
	raw := f.String("raw", "", "the files are bare samples of this `format`, such as 48000,2,s24le")
	asJSON := f.Bool("json", false, "print one JSON object per file")
	plot := f.Bool("plot", false, plotHelp)
	quiet := f.Bool("quiet", false, "no progress")
	if err := parse(f, args); err != nil {
		return err
	}
	policy, err := monoPolicy(*mono)
	if err != nil {
		return err
	}
	if err := plotted(*plot, *asJSON); err != nil {
		return err
	}
	if f.NArg() == 0 {
		return usageError("no file named; for example: boothbench meter take.wav")
	}
	if *events < 1 {
		return usageError("--events: found %d; accepted: 1 or more", *events)
	}
	var specification *expect.Spec
	if *spec != "" {
		s, err := expect.SpecNamed(*spec)
		if err != nil {
			return usageError("--spec: %w", err)
		}
		specification = &s
	}
	var overs *measure.OverSettings
	if f.Changed("over") {
		if err := checkCeiling("over", *over); err != nil {
			return err
		}
		overs = &measure.OverSettings{CeilingDBTP: *over, MostEvents: mostOvers(*events, f.Changed("events"), *asJSON)}
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
	for i, t := range takes {
		files[i] = &metered{file: file{path: t.path, raw: rawFormat}, mono: policy, spec: specification, listOvers: overs, plotted: *plot}
	}
	if *series != "" {
		if len(takes) > 1 {
			return usageError("--series: found %s; accepted: one", plural(len(takes), "file"))
		}
		out, err := e.createFile(*series, *replace, f.Args())
		if err != nil {
			return err
		}
		defer out.Abort()
		files[0].(*metered).series = out
	}
	if err := e.measureEach("meter", files, *asJSON, *quiet); err != nil {
		return err
	}
	for _, m := range files {
		if !m.(*metered).meets() {
			return &coded{exitLimit, errReported}
		}
	}
	return nil
}

// monoPolicy is the value of --mono.
func monoPolicy(word string) (measure.MonoPolicy, error) {
	switch word {
	case "as-is":
		return measure.AsIs, nil
	case "dual-mono":
		return measure.DualMono, nil
	}
	return 0, usageError("--mono: found %q%s; accepted: as-is, dual-mono", word, didYouMean(word, []string{"as-is", "dual-mono"}))
}

// metered is a file and its measurement.
type metered struct {
	file
	mono      measure.MonoPolicy
	spec      *expect.Spec          // nil: not asked for
	listOvers *measure.OverSettings // nil: not asked for
	overs     *measure.Overs
	series    *wave.File // nil: not asked for
	readings  measure.Readings
	verdicts  []measure.Judgement // by the specification
	pair      take.Pair           // with a specification: its two channels against each other
	plotted   bool
	over      measure.Table // loudness over time, if it is plotted
}

// meets reports whether the file meets the specification, true where none was named.
func (m *metered) meets() bool {
	return !slices.ContainsFunc(m.verdicts, func(j measure.Judgement) bool { return j.Verdict != measure.Pass })
}

func (m *metered) run(e env, quiet bool) error {
	r, err := m.open(e)
	if err != nil {
		return err
	}
	defer r.Close()
	loudness, err := measure.NewLoudness(measure.LoudnessSettings{
		Rate: m.format.Rate, Channels: m.format.Channels, ChannelMask: m.format.ChannelMask, Mono: m.mono,
	})
	if err != nil {
		return fmt.Errorf("%s: %w", m.path, err)
	}
	peaks, err := measure.NewTruePeak(m.format.Rate, m.format.Channels)
	if err != nil {
		return fmt.Errorf("%s: %w", m.path, err)
	}
	writes := []func(dsp.Block){loudness.Write, peaks.Write}
	if m.listOvers != nil {
		s := *m.listOvers
		s.Rate, s.Channels = m.format.Rate, m.format.Channels
		if m.overs, err = measure.NewOvers(s); err != nil {
			return fmt.Errorf("%s: %w", m.path, err)
		}
		writes = append(writes, m.overs.Write)
	}
	if m.spec != nil {
		writes = append(writes, m.pair.Write)
	}
	shown := newProgress(e.stderr, quiet, m.frames)
	defer shown.clear()
	if err := measure.EachBlock(e.ctx, &watchedSource{r, e.ctx, shown}, writes...); err != nil {
		return err
	}
	m.readings = append(loudness.Readings(), peaks.Readings()...)
	m.readings = append(m.readings, measure.PeakToLoudness(m.readings))
	if m.spec != nil {
		all := append(measure.FormatReadings(m.format, m.frames), m.readings...)
		m.verdicts = expect.Unusable(m.path, m.warnings, m.readings, m.spec.Limits)
		for _, l := range m.spec.Limits {
			m.verdicts = append(m.verdicts, measure.Judge(m.path, m.format.Rate, all, l))
		}
		if m.path != standardInput {
			e.advise(m.path, m.verdicts)
		}
	}
	if m.plotted {
		m.over = loudness.Table()
	}
	if m.series == nil {
		return nil
	}
	if err := loudness.Table().WriteCSV(m.series); err != nil {
		return outputError(err)
	}
	return outputError(m.series.Commit())
}

func (m *metered) print(e env) {
	m.file.print(e)
	warn(e.stderr, underName(m.name(), m.doubts()))
	printReadings(e.stdout, m.readings, m.format)
	if loudness, ok := m.readings.Get("integrated_lufs"); ok && m.format.Channels != 2 {
		fmt.Fprintf(e.stdout, "  (loudness: %s)\n", loudness.Reference)
	}
	for _, j := range m.verdicts {
		fmt.Fprintf(e.stdout, "  %-11s %s\n", j.Verdict, strings.TrimPrefix(j.Sentence(), j.Subject+": "))
	}
	if m.plotted {
		defer func() { e.plot(pages.Loudness(m.over, m.readings, m.target())) }()
	}
	if m.overs == nil {
		return
	}
	events, count := m.overs.Events()
	above, _ := m.overs.Readings().Get("time_over_ceiling_ms")
	fmt.Fprintf(e.stdout, "  %s above %g dBTP, %s in all\n", plural(count, "over"), m.overs.CeilingDBTP, above)
	for _, o := range events {
		fmt.Fprintf(e.stdout, "    %s\n", overLine(o, m.format.Rate))
	}
	if more := count - int64(len(events)); more > 0 {
		fmt.Fprintf(e.stdout, "    … and %d more (--events)\n", more)
	}
}

// doubts are faults of two channels against each other, and what is not known of where more
// channels are.
func (m *metered) doubts() []string {
	all := m.pair.Faults(m.format.Rate)
	if doubt := measure.LayoutDoubt(m.format.Channels, m.format.ChannelMask); doubt != "" {
		all = append(all, doubt)
	}
	return all
}

// target is the specification's limit of the loudness, nil if there is none.
func (m *metered) target() *measure.Limit {
	if m.spec != nil {
		for _, l := range m.spec.Limits {
			if l.Reading == "integrated_lufs" {
				return &l
			}
		}
	}
	return nil
}

func (m *metered) object(failed error) any {
	o := struct {
		headJSON
		Readings  measure.Readings `json:"readings,omitempty"`
		Ceiling   *float64         `json:"over_ceiling_dbtp,omitempty"`
		Overs     *[]overJSON      `json:"overs,omitempty"`
		OverCount *int64           `json:"overs_count,omitempty"`
		Limits    []judgementJSON  `json:"limits,omitempty"`
	}{headJSON: m.head("meter", failed), Readings: m.readings, Limits: judgementsObject(m.verdicts)}
	if failed == nil {
		o.Warnings = append(o.Warnings, underName(m.name(), m.doubts())...)
	}
	if failed == nil && !m.meets() {
		o.ExitCode = exitLimit
	}
	if m.overs != nil && failed == nil {
		events, count := m.overs.Events()
		overs := oversObject(events, m.overs.CeilingDBTP, m.format.Rate)
		o.Readings = append(o.Readings, m.overs.Readings()...)
		o.Ceiling, o.Overs, o.OverCount = &m.overs.CeilingDBTP, &overs, &count
	}
	return o
}
