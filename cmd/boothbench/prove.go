package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/proof"
	pages "github.com/boothbench/boothbench/measure/report"
)

const proveUsage = `boothbench prove measures whether a chain does what its file declares: each stage
alone, then the whole chain, on tones and on synthetic speech, against simple models of
the settings. With --exec or --recording another implementation is checked against the
same claims: a port, another version, a host. With --claims it measures whether a device
meets the claims in a file.
Exit code 1: a claim failed, or could not be decided (unless --accept-undecided).
A broken response (not finite, silent, too short) fails in any case.

Usage: boothbench prove CHAIN.toml [flags]
       boothbench prove CHAIN.toml --exec 'TOOL {chain} {in} {out}' [flags]
       boothbench prove CHAIN.toml --stimuli DIR          (write the sounds), then
       boothbench prove CHAIN.toml --recording DIR        (read what came back)
       boothbench prove --claims CLAIMS.toml --exec 'TOOL {in} {out}' [flags]
       boothbench prove --claims CLAIMS.toml --recording STIMULUS.wav RECORDING.wav …

TOOL reads and writes WAV files; its response keeps its latency, at 32-bit floating
point or better. {chain} stands for a chain file of one stage, or of all; without it
only the claims of the whole chain are judged. Recordings have the names of the sounds.

Examples:
  boothbench prove voice.toml --rate 44100
  boothbench prove voice.toml --exec 'boothbench process {in} --chain {chain} --out {out} --keep-delay'
  boothbench prove --claims preamp.toml --recording sweep.wav recorded.wav

A claims file:
  schema = 1
  device = "field preamp at +40 dB"
  calibration = "0 dBFS = +16 dBu"                     # for levels in dBu
  [[test]]
  stimulus = { kind = "tone", hz = 997, seconds = 5 }  # as boothbench tone has them
  thd_plus_noise_db = { max = -90, why = "data sheet" }
  [[test]]
  stimulus = { kind = "sweep", seconds = 5 }
  gain_at_100hz_db = { target = 40, tolerance = 0.5 }  # at any frequency
  corner_hz = { target = 20, tolerance = 2 }           # 3 dB down from 1 kHz
  slope_db_per_octave = { max = -11 }                  # beyond that corner
  response_mask = { points = [{ hz = 50, min = -1, max = 1 }, { hz = 20000, min = -1, max = 1 }] }
`

// proveSettings is what the flags ask for.
type proveSettings struct {
	command                  commandFlags
	claims, out, stimuli     string
	recording                bool
	rate                     int
	asJSON                   bool
	failures, replace, quiet bool
	plot                     bool
	acceptUndecided          bool
}

func runProve(e env, args []string) error {
	var s proveSettings
	f := e.flags("prove", proveUsage)
	f.IntVar(&s.rate, "rate", 48000, "rate in `Hz` to prove at; recordings have their own")
	f.StringVar(&s.claims, "claims", "", "the `file` with the claims of a device")
	s.command.add(f)
	f.BoolVar(&s.recording, "recording", false, "the files are a chain and a folder of recordings; with --claims: pairs of a signal of boothbench tone and its recording")
	f.StringVar(&s.stimuli, "stimuli", "", "write the test sounds for the chain's claims into this `folder`, and measure nothing")
	f.StringVar(&s.out, "out", "", "also write the results to this JSON `file`")
	f.BoolVar(&s.replace, "replace", false, "overwrite an existing file")
	f.BoolVar(&s.asJSON, "json", false, "print one JSON object")
	f.BoolVar(&s.plot, "plot", false, plotHelp+": each curve of a chain")
	f.BoolVar(&s.acceptUndecided, "accept-undecided", false, "exit with 0 where claims could not be decided, if none failed and at least one passed")
	f.BoolVar(&s.failures, "failures", false, "list only the claims that did not pass")
	f.BoolVar(&s.quiet, "quiet", false, "no progress")
	if err := parse(f, args); err != nil {
		return err
	}
	if err := plotted(s.plot, s.asJSON); err != nil {
		return err
	}
	if err := s.check(f.Args(), f.Changed("rate")); err != nil {
		return err
	}
	return s.run(e, f.Args())
}

func (s *proveSettings) check(files []string, rateGiven bool) error {
	switch {
	case s.stimuli != "" && (s.claims != "" || s.command.exec != "" || s.recording):
		return usageError("--stimuli: found another device as well; accepted: the chain file alone")
	case s.command.exec != "" && s.recording:
		return usageError("--exec and --recording exclude each other")
	case s.claims != "" && s.command.exec == "" && !s.recording:
		return usageError("--claims: no device; add --exec 'TOOL {in} {out}' or --recording STIMULUS.wav RECORDING.wav")
	case s.claims == "" && s.recording && len(files) != 2:
		return usageError("--recording: found %s; accepted: a chain file and a folder of recordings, or --claims and pairs of a stimulus and its recording", plural(len(files), "file"))
	case s.claims == "" && !s.recording && len(files) != 1:
		return usageError("found %s; accepted: one chain file, for example: boothbench prove voice.toml", plural(len(files), "file"))
	case s.claims != "" && s.command.exec != "" && len(files) > 0:
		return usageError("found %q; accepted: no files with --exec, which makes its own", files[0])
	case s.claims != "" && s.recording && (len(files) == 0 || len(files)%2 == 1):
		return usageError("--recording: found %s; accepted: pairs of a stimulus and its recording", plural(len(files), "file"))
	case s.claims != "" && s.recording && rateGiven:
		return usageError("--rate has no meaning for recordings: they have their own")
	case s.plot && (s.claims != "" || s.command.exec != "" || s.recording || s.stimuli != ""):
		return usageError("--plot: found another device than the chain; accepted: the chain file alone, whose curves are declared")
	case s.rate < dsp.MinRate || s.rate > dsp.MaxRate:
		return usageError("--rate: found %d; accepted: %d to %d Hz", s.rate, dsp.MinRate, dsp.MaxRate)
	}
	return s.command.check()
}

func (s *proveSettings) run(e env, files []string) error {
	if s.stimuli != "" {
		return s.writeStimuli(e, files[0])
	}
	inputs := append([]string(nil), files...)
	if s.claims != "" {
		inputs = append(inputs, s.claims)
	}
	var out *wave.File
	if s.out != "" {
		var err error
		if out, err = e.createFile(s.out, s.replace, inputs); err != nil {
			return err
		}
		defer out.Abort()
	}
	shown := newProgress(e.stderr, s.quiet, 0)
	sheet, err := s.sheet(e, files, func(_ string, i, of int) {
		shown.total = int64(of)
		shown.add(1)
	})
	shown.clear()
	if sheet == nil || e.ctx.Err() != nil {
		return err
	}
	failed := err // of the device; earlier results are printed
	object := s.object(sheet, failed)
	if s.asJSON {
		e.printJSON(object)
	} else {
		printSheet(e.stdout, sheet, s.failures)
	}
	for i, c := range sheet.Curves {
		e.plot(pages.Declared(fmt.Sprintf("curve-%d", i+1), c))
	}
	if out != nil {
		if err := writeSheet(out, object); err != nil {
			return outputError(err)
		}
	}
	if failed != nil {
		return failed
	}
	if !sheet.Holds(s.acceptUndecided) {
		return &coded{exitLimit, errReported}
	}
	return nil
}

// sheet measures the claims of the chain or the device.
func (s *proveSettings) sheet(e env, files []string, shown func(string, int, int)) (*proof.Sheet, error) {
	if s.claims == "" {
		c, err := e.loadChain(files[0])
		if err != nil {
			return nil, err
		}
		if !s.quiet {
			warn(e.stderr, c.Warnings())
		}
		return s.ofChain(e, c, files, shown)
	}
	claims, err := e.loadClaims(s.claims)
	if err != nil {
		return nil, err
	}
	if s.command.exec != "" {
		command, err := s.command.device(e)
		if err != nil {
			return nil, err
		}
		sheet, findings, err := proof.OfDevice(e.ctx, claims, command, s.rate, shown)
		printFindings(e.stderr, findings)
		return sheet, inputError(err)
	}
	var pairs []instrument.Recorded
	for i := 0; i < len(files); i += 2 {
		pairs = append(pairs, instrument.Recorded{Stimulus: files[i], Recording: files[i+1]})
	}
	sheet, findings, err := proof.OfRecordings(e.ctx, claims, pairs)
	printFindings(e.stderr, findings)
	return sheet, inputError(err)
}

// printFindings prints what is odd about a device's answers.
func printFindings(w io.Writer, all []measure.Finding) {
	for _, f := range all {
		channel := ""
		if f.Channel >= 0 {
			channel = fmt.Sprintf("channel %d: ", f.Channel+1)
		}
		fmt.Fprintf(w, "%s%s: %s\n", channel, f.What, f.Do)
	}
}

// ofChain measures the engine, or the implementation that the flags name.
func (s *proveSettings) ofChain(e env, c *chain.Chain, files []string, shown func(string, int, int)) (*proof.Sheet, error) {
	switch {
	case s.command.exec != "":
		command, err := s.command.device(e)
		if err != nil {
			return nil, err
		}
		sheet, err := proof.OfImplementation(e.ctx, c, proof.ByCommand(command, c), s.rate, shown)
		return sheet, withCode(exitUsage, err)
	case s.recording:
		if info, err := os.Stat(files[1]); err != nil || !info.IsDir() {
			return nil, usageError("--recording: %s is no folder; accepted: one with the recordings of what --stimuli wrote", files[1])
		}
		sheet, err := proof.OfImplementation(e.ctx, c, proof.ByRecordings(files[1]), s.rate, shown)
		return sheet, withCode(exitUsage, err)
	}
	of := proof.OfChain
	if s.plot {
		of = proof.OfChainWithCurves
	}
	sheet, err := of(e.ctx, c, s.rate, shown)
	return sheet, withCode(exitUsage, err)
}

// writeStimuli writes the test sounds for a chain's claims.
func (s *proveSettings) writeStimuli(e env, path string) error {
	c, err := e.loadChain(path)
	if err != nil {
		return err
	}
	if entries, err := os.ReadDir(s.stimuli); err == nil && len(entries) > 0 {
		return usageError("--stimuli: %s is not empty; accepted: a new or an empty folder", s.stimuli)
	}
	files, err := proof.WriteStimuli(e.ctx, c, s.stimuli, s.rate)
	if err != nil {
		return withCode(exitUsage, err)
	}
	fmt.Fprint(e.stderr, cautions)
	fmt.Fprintf(e.stdout, "wrote %s under %s at %d Hz, in a folder for each stage and one for the whole chain\nnext: put each through its device, keep names and folders, and run: boothbench prove %s --recording FOLDER --rate %d\n",
		plural(files, "sound"), s.stimuli, s.rate, path, s.rate)
	return nil
}

// printSheet prints the claims that did not pass, with advice, then all claims.
func printSheet(w io.Writer, s *proof.Sheet, failuresOnly bool) {
	for _, l := range s.Lines {
		if l.Verdict != measure.Pass {
			fmt.Fprintln(w, l.Judgement)
		}
	}
	if !failuresOnly {
		stage, condition := "", ""
		for _, l := range s.Lines {
			if l.Stage != stage {
				fmt.Fprintf(w, "\n%s\n", l.Stage)
				stage, condition = l.Stage, ""
			}
			if l.Condition != condition {
				fmt.Fprintf(w, "  %s\n", l.Condition)
				condition = l.Condition
			}
			printLine(w, l)
		}
		printUnclaimed(w, s.Unclaimed)
		fmt.Fprintln(w)
	}
	fmt.Fprintf(w, "%s at %d Hz: %s passed, %d failed, %d undecided", s.Subject, s.RateHz,
		plural(s.Count(measure.Pass), "claim"), s.Count(measure.Fail), s.Count(measure.Undecided))
	if n := len(s.Unclaimed); n > 0 {
		fmt.Fprintf(w, "; %s without a claim", plural(n, "reading"))
	}
	fmt.Fprintln(w)
}

// printUnclaimed prints the readings without a claim, and why they have none.
func printUnclaimed(w io.Writer, all []proof.Unclaimed) {
	if len(all) == 0 {
		return
	}
	fmt.Fprint(w, "\nnot claimed\n")
	for i := 0; i < len(all); {
		first, names := all[i], []string{}
		for ; i < len(all) && all[i].Stage == first.Stage && all[i].Condition == first.Condition && all[i].Reason == first.Reason; i++ {
			names = append(names, all[i].Reading)
		}
		fmt.Fprintf(w, "  %s: %s\n    %s: %s\n", first.Stage, strings.Join(names, ", "), first.Condition, first.Reason)
	}
}

func printLine(w io.Writer, l proof.Line) {
	got := "-"
	if l.Got.Measurable() {
		got = l.Got.String()
	}
	fmt.Fprintf(w, "    %-11s  %-26s %14s   claimed: %s", l.Verdict, l.Reading, got, l.Limit)
	if !l.Got.Measurable() {
		fmt.Fprintf(w, "; measured: %s", l.Got.Reason)
	}
	if l.Why != "" {
		fmt.Fprintf(w, " (%s)", l.Why)
	}
	fmt.Fprintln(w)
}

func (settings *proveSettings) object(s *proof.Sheet, failed error) any {
	o := struct {
		SchemaVersion int               `json:"schema_version"`
		Command       string            `json:"command"`
		ExitCode      int               `json:"exit_code"`
		Error         string            `json:"error,omitempty"`
		Subject       string            `json:"subject"`
		RateHz        int               `json:"rate_hz"`
		Pass          int               `json:"pass"`
		Fail          int               `json:"fail"`
		Undecided     int               `json:"undecided"`
		Lines         []proof.Line      `json:"lines"`
		Unclaimed     []proof.Unclaimed `json:"not_claimed"`
	}{1, "prove", exitDone, "", s.Subject, s.RateHz, s.Count(measure.Pass), s.Count(measure.Fail), s.Count(measure.Undecided), s.Lines, append([]proof.Unclaimed{}, s.Unclaimed...)}
	if !s.Holds(settings.acceptUndecided) {
		o.ExitCode = exitLimit
	}
	if failed != nil {
		o.ExitCode, o.Error = exitCode(failed), wave.ErrorText(failed)
	}
	return o
}

// writeSheet writes the object for people to read as well.
func writeSheet(out *wave.File, object any) error {
	text := json.NewEncoder(out)
	text.SetEscapeHTML(false)
	text.SetIndent("", "  ")
	if err := text.Encode(object); err != nil {
		return err
	}
	return out.Commit()
}
