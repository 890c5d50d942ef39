package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/pflag"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	pages "github.com/boothbench/boothbench/measure/report"
	"github.com/boothbench/boothbench/measure/stimulus"
)

const gaugeUsage = `boothbench gauge puts a test signal through a chain or an outside command, or takes
a recording of one, and prints all that its instruments read: response, latency,
distortion, noise, static curve, attack and release. The kinds of signal, and
their settings, are those of boothbench tone: boothbench gauge sweep --help

Usage: boothbench gauge KIND --chain CHAIN.toml [flags]
       boothbench gauge KIND --exec 'TOOL {in} {out}' [flags]
       boothbench gauge --recording STIMULUS.wav RECORDING.wav [flags]

Examples:
  boothbench gauge sweep --chain voice.toml --curve response.csv
  boothbench gauge --recording sweep.wav recorded.wav --json
`

// gauge is a call of the command.
type gauge struct {
	signalFlags // of no kind for a recording
	flags       *pflag.FlagSet
	command     commandFlags
	chain       string
	recording   bool
	rate        int
	calibration string
	curve       string
	replace     bool
	asJSON      bool
	plot        bool

	signal   stimulus.Signal
	device   string // what is measured
	sound    instrument.Response
	readings measure.Readings
	findings []measure.Finding
}

func runGauge(e env, args []string) error {
	g := &gauge{flags: e.flags("gauge", gaugeUsage)}
	if len(args) > 0 && !strings.HasPrefix(args[0], "-") {
		kind, err := kindNamed(args[0])
		if err != nil {
			return err
		}
		if len(instrument.For(kind.Default)) == 0 {
			return usageError("no instrument reads a response to %s; boothbench tone %[1]s writes it", args[0])
		}
		args = args[1:]
		g.flags = e.flags("gauge "+kind.Name(), fmt.Sprintf(`boothbench gauge %s: %s

Usage: boothbench gauge %[1]s --chain CHAIN.toml [flags]

Examples:
  boothbench gauge %[1]s --chain voice.toml
  boothbench gauge %[1]s --exec 'TOOL {in} {out}' --rate 96000
`, kind.Name(), kind.Help))
		g.signalFlags = settingsOf(kind, g.flags)
	}
	f := g.flags
	g.command.add(f)
	f.StringVar(&g.chain, "chain", "", "the device is this chain `file`")
	f.BoolVar(&g.recording, "recording", false, "the files are a signal of boothbench tone and a recording of it")
	f.IntVar(&g.rate, "rate", 48000, "rate in `Hz`; a recording has its own")
	f.StringVar(&g.calibration, "calibration", "", "states levels in dBu too, such as `'0 dBFS = +16 dBu'`")
	f.StringVar(&g.curve, "curve", "", "write the curve, where there is one, to this CSV `file`")
	f.BoolVar(&g.replace, "replace", false, "write over an existing curve")
	f.BoolVar(&g.asJSON, "json", false, "print one JSON object")
	f.BoolVar(&g.plot, "plot", false, plotHelp)
	if err := parse(f, args); err != nil {
		return err
	}
	if err := g.check(f.Args()); err != nil {
		return err
	}
	defer sparingMemory()()
	defer g.close()
	return g.run(e, f.Args())
}

// close removes what the response keeps in a temporary file.
func (g *gauge) close() {
	if c, ok := g.sound.(io.Closer); ok {
		c.Close()
	}
}

func (g *gauge) check(files []string) error {
	devices := 0
	for _, given := range []bool{g.chain != "", g.command.exec != "", g.recording} {
		if given {
			devices++
		}
	}
	switch {
	case devices == 0 && g.settings == nil:
		return usageError("no kind of signal and no device named; for example: boothbench gauge sweep --chain voice.toml; instead of --chain, --exec or --recording")
	case devices == 0:
		return usageError("no device named; for example: boothbench gauge %s --chain voice.toml; or --exec 'TOOL {in} {out}'", g.kind.Name())
	case devices != 1:
		return usageError("found %s; accepted: one of --chain, --exec and --recording", plural(devices, "device"))
	case g.recording && g.settings != nil:
		return usageError("--recording: found the kind %s as well; accepted: the files alone, which state their kind", g.kind.Name())
	case g.recording && len(files) != 2:
		return usageError("--recording: found %s; accepted: a stimulus and its recording", plural(len(files), "file"))
	case g.recording && g.flags.Changed("rate"):
		return usageError("--rate has no meaning for a recording: it has its own")
	case !g.recording && g.settings == nil:
		return usageError("no kind of signal named; for example: boothbench gauge sweep --chain voice.toml")
	case !g.recording && len(files) > 0:
		return usageError("found %q; accepted: flags only", files[0])
	}
	if err := plotted(g.plot, g.asJSON); err != nil {
		return err
	}
	return g.command.check()
}

func (g *gauge) run(e env, files []string) error {
	var calibration *measure.Calibration
	if g.calibration != "" {
		var err error
		if calibration, err = measure.ParseCalibration(g.calibration); err != nil {
			return withCode(exitUsage, err)
		}
	}
	var out *wave.File
	if g.curve != "" {
		var err error
		if out, err = e.createFile(g.curve, g.replace, append(files, g.chain)); err != nil {
			return err
		}
		defer out.Abort()
	}
	if err := g.measure(e, files); err != nil {
		return err
	}
	if calibration != nil {
		g.readings = g.readings.Calibrated(*calibration)
	}
	if out != nil {
		if err := g.writeCurve(out); err != nil {
			return err
		}
	}
	if !g.plot {
		g.print(e)
		return nil
	}
	table, err := g.table("plot")
	if err != nil {
		return err
	}
	g.print(e)
	e.plot(pages.Curve(table, stimulus.Describe(g.signal), "of "+g.device))
	if _, ok := g.signal.(stimulus.Swept); ok {
		e.plot(pages.Distortion("distortion", table, g.readings))
	}
	return nil
}

// measure has the device answer, or takes its recorded answer, and reads it.
func (g *gauge) measure(e env, files []string) error {
	if g.recording {
		return inputError(g.readRecording(files[0], files[1]))
	}
	if err := g.respond(e); err != nil {
		return err
	}
	readings, err := instrument.AnalyseAll(g.signal, g.rate, g.sound)
	g.readings = append(g.readings, readings...)
	if err != nil {
		return inputError(err)
	}
	moving, err := instrument.MovingGain(g.signal, g.rate, g.sound)
	g.findings = append(g.findings, moving...)
	return inputError(err)
}

func (g *gauge) readRecording(played, recorded string) error {
	signal, a, err := (&instrument.Recorded{Stimulus: played, Recording: recorded}).Align()
	if err != nil {
		return err
	}
	g.signal, g.device, g.rate, g.sound = signal, recorded, a.Rate, a.Sound
	readings, err := a.Read(signal)
	g.readings, g.findings = a.Readings.With(readings), a.Findings
	return err
}

// movingStages are the names of a chain's stages whose gain follows the level. Of an
// outside device they are not known, and of a chain that cannot be built there are
// none: running it says why.
func movingStages(device instrument.Device, rate, channels int) (names []string) {
	c, ok := device.(*chain.Chain)
	if !ok {
		return nil
	}
	engine, err := c.Prepare(rate, channels)
	if err != nil {
		return nil
	}
	for _, s := range engine.Plan() {
		switch s.Processor.(type) {
		case dsp.GainTracer, dsp.Verifier:
			names = append(names, s.Name)
		}
	}
	return names
}

func (g *gauge) respond(e env) error {
	var device instrument.Device
	if g.chain != "" {
		c, err := e.loadChain(g.chain)
		if err != nil {
			return err
		}
		device, g.device = c, g.chain
	} else {
		c, err := g.command.device(e)
		if err != nil {
			return err
		}
		device, g.device = c, g.command.exec
	}
	var err error
	if g.signal, err = g.asked(g.flags); err != nil {
		return usageError("%v", named(err))
	}
	sound, err := g.signal.Make(g.rate)
	if err != nil {
		return usageError("%v", named(err))
	}
	switch g.signal.(type) {
	case stimulus.Swept, stimulus.Multitone:
		if moving := movingStages(device, g.rate, len(sound)); len(moving) > 0 {
			g.findings = append(g.findings, measure.Finding{
				Severity: measure.Warning, Frame: -1, Channel: -1,
				What: fmt.Sprintf("the gain of %s follows the level: this response is that of this signal at its level", strings.Join(moving, ", ")),
				Do:   "for the filters alone, switch these stages off (enabled = false); prove reads each stage by itself",
			})
		}
	}
	stored, err := instrument.RespondStored(e.ctx, device, g.rate, sound)
	if err != nil {
		return inputError(err)
	}
	g.sound = stored
	return nil
}

// table is the curve, which --curve or --plot asks for.
func (g *gauge) table(flag string) (measure.Table, error) {
	for _, i := range instrument.For(g.signal) {
		if t, ok := i.(instrument.Tabled); ok {
			table, err := t.Table(g.rate, g.sound)
			return table, inputError(err)
		}
	}
	return measure.Table{}, usageError("--%s: a response to %s has no curve", flag, g.signal.Kind())
}

func (g *gauge) writeCurve(out *wave.File) error {
	table, err := g.table("curve")
	if err != nil {
		return err
	}
	if err := table.WriteCSV(out); err != nil {
		return outputError(err)
	}
	return outputError(out.Commit())
}

// gaugeFinding is a finding as JSON has it.
type gaugeFinding struct {
	Severity string `json:"severity"`
	What     string `json:"what"`
	Do       string `json:"do"`
	Channel  *int   `json:"channel,omitempty"` // from 1
}

func (g *gauge) print(e env) {
	findings := []gaugeFinding{}
	for _, f := range g.findings {
		found, of := gaugeFinding{f.Severity.String(), f.What, f.Do, nil}, g.device
		if f.Channel >= 0 && g.sound.Channels() > 1 {
			channel := f.Channel + 1
			found.Channel = &channel
			of += fmt.Sprintf(", channel %d", channel)
		}
		findings = append(findings, found)
		fmt.Fprintf(e.stderr, "%s: %s: %s\n", of, f.What, f.Do)
	}
	if g.asJSON {
		e.printJSON(struct {
			SchemaVersion int              `json:"schema_version"`
			Command       string           `json:"command"`
			ExitCode      int              `json:"exit_code"`
			Device        string           `json:"device"`
			Signal        string           `json:"signal"`
			RateHz        int              `json:"rate_hz"`
			Readings      measure.Readings `json:"readings"`
			Findings      []gaugeFinding   `json:"findings"`
		}{1, "gauge", exitDone, g.device, stimulus.Describe(g.signal), g.rate, g.readings, findings})
		return
	}
	fmt.Fprintf(e.stdout, "%s  %s, %d Hz\n", g.device, stimulus.Describe(g.signal), g.rate)
	printReadings(e.stdout, g.readings, wave.Unquantised(g.rate, g.sound.Channels()))
}
