package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

const overshootUsage = `boothbench overshoot measures by how many dB a limiter exceeds its ceiling: in samples,
in true peak (Rec. ITU-R BS.1770-5 Annex 2), and in a finer interpolation, the fine
reading: a 256-tap sinc at 64 places between two samples. It also measures the first
10 ms after silence, and whether the stereo image moves.

Without takes, the device gets test signals on which limiters fail. Their samples lie 0
to 20 dB over the ceiling: they are loud. --drive adds gain in front of the device.
Exit code 1: the fine reading exceeds the ceiling by more than --allow.

Usage: boothbench overshoot --chain CHAIN.toml [TAKE.wav …] [flags]
       boothbench overshoot --exec 'TOOL {in} {out}' --ceiling -1 [TAKE.wav …] [flags]
       boothbench overshoot --recording OUT.wav --ceiling -1 PLAYED.wav [flags]
       boothbench overshoot --ceiling -1 FILE.wav … [flags]     (files as they are)

Examples:
  boothbench overshoot --chain voice.toml --drive 0,6,12,24,40
  boothbench overshoot --ceiling -1 master.wav
`

// overshootSettings is what the flags ask for.
type overshootSettings struct {
	command                commandFlags
	chain, recording       string
	ceiling, allow         float64
	ceilingGiven, driven   bool
	drives                 []float64
	events, rate, channels int
	eventsGiven            bool
	asJSON, quiet          bool
}

func runOvershoot(e env, args []string) error {
	var s overshootSettings
	f := e.flags("overshoot", overshootUsage)
	f.StringVar(&s.chain, "chain", "", "the device is this chain `file`; the ceiling is its last limiter's")
	s.command.add(f)
	f.StringVar(&s.recording, "recording", "", "this `file` is what the device put out while the one take was played into it")
	f.Float64Var(&s.ceiling, "ceiling", 0, "the ceiling in `dBTP`")
	f.Float64SliceVar(&s.drives, "drive", nil, "input gains to measure at, in `dB`, such as 0,6,12 (unless given: 0)")
	f.Lookup("drive").DefValue = "0" // pflag would print (default [])
	f.Float64Var(&s.allow, "allow", 0.05, "accept this many `dB` over the ceiling by the fine reading")
	f.IntVar(&s.events, "events", 10, "list at most this many overs, the worst ones (JSON: 1000 per run unless given)")
	f.IntVar(&s.rate, "rate", 48000, "rate in `Hz` of the stress signals")
	f.IntVar(&s.channels, "channels", 2, "channels of the stress signals")
	f.BoolVar(&s.asJSON, "json", false, "print one JSON object per sound")
	f.BoolVar(&s.quiet, "quiet", false, "no progress")
	if err := parse(f, args); err != nil {
		return err
	}
	if len(s.drives) == 0 {
		s.drives = []float64{0}
	}
	s.ceilingGiven, s.driven, s.eventsGiven = f.Changed("ceiling"), f.Changed("drive"), f.Changed("events")
	if err := s.check(f.Args()); err != nil {
		return err
	}
	defer sparingMemory()()
	r := &overshootRun{env: e, settings: s}
	if err := r.prepare(f.Args()); err != nil {
		return err
	}
	return r.run()
}

func (s *overshootSettings) check(takes []string) error {
	devices := 0
	for _, device := range []string{s.chain, s.command.exec, s.recording} {
		if device != "" {
			devices++
		}
	}
	switch {
	case devices > 1:
		return usageError("--chain, --exec and --recording exclude each other")
	case devices == 0 && len(takes) == 0:
		return usageError("nothing to measure; for example: boothbench overshoot --chain voice.toml, or --ceiling -1 FILE.wav")
	case devices == 0 && !s.ceilingGiven:
		return usageError("no ceiling: add --ceiling, or --chain to run the takes through a chain")
	case s.chain == "" && !s.ceilingGiven:
		return usageError("no ceiling: add --ceiling; only a chain file declares its own")
	case s.recording != "" && len(takes) != 1:
		return usageError("--recording: found %s; accepted: one, the file that was played", plural(len(takes), "take"))
	case s.driven && (devices == 0 || s.recording != ""):
		return usageError("--drive has no meaning for files that are measured as they are")
	case s.events < 1:
		return usageError("--events: found %d; accepted: 1 or more", s.events)
	case !(s.allow >= 0 && s.allow <= 60):
		return usageError("--allow: found %g; accepted: 0 to 60 dB", s.allow)
	}
	if err := swapped(s.chain, takes); err != nil {
		return err
	}
	if err := s.command.check(); err != nil {
		return err
	}
	for _, d := range s.drives {
		if !(d >= -60 && d <= 60) {
			return usageError("--drive: found %g; accepted: -60 to 60 dB", d)
		}
	}
	if s.ceilingGiven {
		return checkCeiling("ceiling", s.ceiling)
	}
	return nil
}

// overshootRun is one call of overshoot: a device, or none, and the sounds for it.
type overshootRun struct {
	env
	settings overshootSettings
	device   instrument.Device // nil: the sounds are measured as they are
	chain    *chain.Chain
	what     string // the name of the device: chain file, command or recording
	sounds   []*overshootSound
	shown    *progress
}

// overshootSound is a take or a stress signal, and what was measured with it.
type overshootSound struct {
	file
	stress *stimulus.LimiterStress // nil: a take
	name   string
	runs   []overshootResult
	err    error
}

// overshootResult is what was measured with one sound at one drive (input gain).
type overshootResult struct {
	DriveDB  float64
	readings measure.Readings
	verdict  measure.Judgement
	events   []measure.Over
	count    int64
	findings []measure.Finding
}

func (r *overshootRun) prepare(takes []string) error {
	s := &r.settings
	switch {
	case s.chain != "":
		c, err := r.loadChain(s.chain)
		if err != nil {
			return err
		}
		if !s.quiet {
			warn(r.stderr, c.Warnings())
		}
		if err := s.ceilingOf(c); err != nil {
			return err
		}
		r.device, r.chain, r.what = c, c, s.chain
	case s.command.exec != "":
		c, err := s.command.device(r.env)
		if err != nil {
			return err
		}
		r.device, r.what = c, s.command.exec
	case s.recording != "":
		recorded := &instrument.Recorded{Stimulus: takes[0], Recording: s.recording}
		if err := recorded.Recognise(); err != nil {
			return inputError(err)
		}
		r.device, r.what = recorded, s.recording
	}
	for _, path := range takes {
		r.sounds = append(r.sounds, &overshootSound{file: file{path: path}, name: path})
	}
	if len(takes) > 0 {
		return nil
	}
	for _, signal := range stimulus.LimiterStressSet(s.ceiling, s.channels) {
		if _, err := signal.Make(s.rate); err != nil {
			return withCode(exitUsage, err)
		}
		r.sounds = append(r.sounds, &overshootSound{stress: &signal, name: signal.Name()})
	}
	return nil
}

// ceilingOf takes the ceiling of the chain's last limiter, unless one was given.
func (s *overshootSettings) ceilingOf(c *chain.Chain) error {
	if s.ceilingGiven {
		return nil
	}
	ceiling, ok := c.Ceiling()
	if ok {
		s.ceiling = ceiling
		return nil
	}
	return usageError("%s has no limiter, and so no ceiling: add --ceiling", s.chain)
}

func (r *overshootRun) run() error {
	r.shown = newProgress(r.stderr, r.settings.quiet, 0)
	if r.shown.w != nil {
		r.shown.total = r.totalFrames()
	}
	defer r.shown.clear()
	worst := exitDone
	for _, sound := range r.sounds {
		sound.err = r.measure(sound)
		r.shown.clear()
		if errors.Is(sound.err, context.Canceled) {
			return fmt.Errorf("%s: %w", sound.name, sound.err)
		}
		if sound.err != nil {
			fmt.Fprintf(r.stderr, "boothbench overshoot: %s: %v\n", sound.name, wave.ErrorText(sound.err))
		}
		worst = max(worst, sound.exitCode())
		if r.settings.asJSON {
			r.printJSON(r.object(sound))
		}
	}
	if !r.settings.asJSON {
		r.print()
	}
	if worst != exitDone {
		return &coded{worst, errReported}
	}
	return nil
}

func (s *overshootSound) exitCode() int {
	if s.err != nil {
		return exitCode(inputError(s.err))
	}
	for _, run := range s.runs {
		if run.verdict.Verdict != measure.Pass {
			return exitLimit
		}
	}
	return exitDone
}

// totalFrames is the number of frames to be measured, as far as the headers state it.
func (r *overshootRun) totalFrames() (total int64) {
	for _, sound := range r.sounds {
		if src, err := r.open(sound); err == nil {
			switch src := src.(type) {
			case *wave.Memory:
				total += int64(src.Planes().Frames())
			case *wave.Reader:
				total += sound.frames
				src.Close()
			}
		}
	}
	return total * int64(len(r.settings.drives))
}

func (r *overshootRun) open(s *overshootSound) (wave.Source, error) {
	if s.stress == nil {
		reader, err := s.file.open(r.env)
		if err != nil {
			return nil, err // not reader: a nil pointer in an interface is not nil
		}
		return reader, nil
	}
	b, err := s.stress.Make(r.settings.rate)
	if err != nil {
		return nil, err
	}
	s.format, s.frames = wave.Unquantised(r.settings.rate, len(b)), int64(b.Frames())
	return wave.NewMemory(s.format, b), nil
}

func (r *overshootRun) measure(s *overshootSound) error {
	for _, driveDB := range r.settings.drives {
		o, err := r.measureOnce(s, driveDB)
		if err != nil {
			return err
		}
		result := overshootResult{DriveDB: driveDB, readings: o.Readings(), findings: o.Findings(r.settings.allow)}
		result.verdict = measure.Judge(s.name, s.format.Rate, result.readings, measure.AtMost("overshoot_fine_db", r.settings.allow))
		result.events, result.count = o.Events()
		s.runs = append(s.runs, result)
	}
	return nil
}

func (r *overshootRun) measureOnce(s *overshootSound, driveDB float64) (*instrument.Overshoot, error) {
	again := false
	open := func() (wave.Source, error) {
		src, err := r.open(s)
		if err != nil || again { // the second reading is for the comparison alone, and shows no progress
			return src, err
		}
		again = true
		return &watchedSource{src, r.ctx, r.shown}, nil
	}
	settings := measure.OverSettings{CeilingDBTP: r.settings.ceiling, MostEvents: mostOvers(r.settings.events, r.settings.eventsGiven, r.settings.asJSON)}
	if r.device != nil {
		return instrument.OvershootOf(r.ctx, r.device, open, driveDB, settings)
	}
	return instrument.OvershootOfSound(r.ctx, open, settings)
}
