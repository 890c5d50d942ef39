package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
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
	var worst error
	for _, path := range f.Args() {
		m := &metered{path: path}
		err := m.run(e, policy, *quiet)
		if errors.Is(err, context.Canceled) {
			return err
		}
		if err != nil {
			worst = &coded{exitInput, errReported}
			fmt.Fprintf(e.stderr, "boothbench meter: %v\n", err)
		}
		if *asJSON {
			m.printObject(e, err)
		} else if err == nil {
			m.print(e)
		}
	}
	return worst
}

// metered is a file and what was measured of it.
type metered struct {
	path     string
	format   wave.Format
	frames   int64
	warnings []wave.Warning
	readings measure.Readings
}

func (m *metered) run(e env, policy measure.MonoPolicy, quiet bool) error {
	r, err := wave.Open(m.path)
	if err != nil {
		return err
	}
	defer r.Close()
	m.format, m.frames, m.warnings = r.Format(), r.Frames(), r.Warnings()
	loudness, err := measure.NewLoudness(measure.LoudnessSettings{
		Rate: m.format.Rate, Channels: m.format.Channels, ChannelMask: m.format.ChannelMask, Mono: policy,
	})
	if err != nil {
		return fmt.Errorf("%s: %w", m.path, err)
	}
	peaks, err := measure.NewTruePeak(m.format.Rate, m.format.Channels)
	if err != nil {
		return fmt.Errorf("%s: %w", m.path, err)
	}
	meters := []measure.Meter{loudness, peaks}

	shown := newProgress(e.stderr, quiet, m.frames)
	defer shown.clear()
	whole := dsp.NewBlock(m.format.Channels, 4096)
	part := make(dsp.Block, m.format.Channels)
	for {
		if err := e.ctx.Err(); err != nil {
			return err
		}
		n, err := r.Read(whole)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		for c := range part {
			part[c] = whole[c][:n]
		}
		for _, meter := range meters {
			meter.Write(part)
		}
		shown.add(int64(n))
	}
	for _, meter := range meters {
		m.readings = append(m.readings, meter.Readings()...)
	}
	m.readings = append(m.readings, measure.PeakToLoudness(m.readings))
	return nil
}

func (m *metered) print(e env) {
	for _, w := range m.warnings {
		fmt.Fprintf(e.stderr, "warning: %v\n", w)
	}
	fmt.Fprintf(e.stdout, "%s  %s, %s\n", m.path, timeCode(m.frames, m.format.Rate), m.format)
	printReadings(e.stdout, m.readings, m.format)
	if loudness, ok := m.readings.Get("integrated_lufs"); ok && m.format.Channels == 1 {
		fmt.Fprintf(e.stdout, "  (loudness: %s)\n", loudness.Reference)
	}
}

func (m *metered) printObject(e env, failed error) {
	o := struct {
		SchemaVersion int              `json:"schema_version"`
		Command       string           `json:"command"`
		ExitCode      int              `json:"exit_code"`
		Error         string           `json:"error,omitempty"`
		Input         fileJSON         `json:"input"`
		Warnings      []string         `json:"warnings"`
		Readings      measure.Readings `json:"readings,omitempty"`
	}{SchemaVersion: 1, Command: "meter", Input: fileJSON{Path: m.path}, Warnings: []string{}, Readings: m.readings}
	for _, w := range m.warnings {
		o.Warnings = append(o.Warnings, w.String())
	}
	if m.format.Rate != 0 {
		o.Input.formatJSON, o.Input.Frames, o.Input.SHA256 = formatOf(m.format), &m.frames, hashOfFile(m.path)
	}
	if failed != nil {
		o.ExitCode, o.Error = exitInput, failed.Error()
	}
	e.printJSON(o)
}
