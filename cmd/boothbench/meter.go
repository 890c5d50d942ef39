package main

import (
	"fmt"

	"github.com/boothbench/boothbench/measure"
)

const meterUsage = `boothbench meter measures files in one pass each: loudness (integrated, range,
largest momentary and short-term), sample peak, and true peak by the standard's
interpolator and by a finer one. What cannot be measured says why.

Usage: boothbench meter FILE.wav … [flags]

Examples:
  boothbench meter take.wav
  boothbench meter --json --mono dual-mono ep1.wav ep2.wav
`

func runMeter(e env, args []string) error {
	f := e.flags("meter", meterUsage)
	mono := f.String("mono", "as-is", "what one channel stands for: as-is, or dual-mono (two equal ones, 3.01 LU more)")
	asJSON := f.Bool("json", false, "print one JSON object a file")
	quiet := f.Bool("quiet", false, "no progress")
	if err := parse(f, args); err != nil {
		return err
	}
	policies := map[string]measure.MonoPolicy{"as-is": measure.AsIs, "dual-mono": measure.DualMono}
	policy, known := policies[*mono]
	if !known {
		return usageError("--mono: found %q%s; accepted: as-is, dual-mono", *mono, didYouMean(*mono, []string{"as-is", "dual-mono"}))
	}
	if f.NArg() == 0 {
		return usageError("no file named; for example: boothbench meter take.wav")
	}
	files := make([]measured, f.NArg())
	for i, path := range f.Args() {
		files[i] = &metered{file: file{path: path}, mono: policy}
	}
	return e.measureEach("meter", files, *asJSON, *quiet)
}

// metered is a file and what was measured of it.
type metered struct {
	file
	mono     measure.MonoPolicy
	readings measure.Readings
}

func (m *metered) run(e env, quiet bool) error {
	r, err := m.open()
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
	shown := newProgress(e.stderr, quiet, m.frames)
	defer shown.clear()
	if err := measure.Feed(&watchedSource{r, e.ctx, shown}, loudness.Write, peaks.Write); err != nil {
		return err
	}
	m.readings = append(loudness.Readings(), peaks.Readings()...)
	m.readings = append(m.readings, measure.PeakToLoudness(m.readings))
	return nil
}

func (m *metered) print(e env) {
	m.file.print(e)
	printReadings(e.stdout, m.readings, m.format)
	if loudness, ok := m.readings.Get("integrated_lufs"); ok && m.format.Channels == 1 {
		fmt.Fprintf(e.stdout, "  (loudness: %s)\n", loudness.Reference)
	}
}

func (m *metered) object(failed error) any {
	return struct {
		headJSON
		Readings measure.Readings `json:"readings,omitempty"`
	}{m.head("meter", failed), m.readings}
}
