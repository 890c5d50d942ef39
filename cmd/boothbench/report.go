package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/bench"
	"github.com/boothbench/boothbench/measure/expect"
	"github.com/boothbench/boothbench/measure/picture"
	"github.com/boothbench/boothbench/measure/proof"
	pages "github.com/boothbench/boothbench/measure/report"
)

const reportUsage = `boothbench report writes a page with pictures: of a take before and after its chain, of
the proof of a chain, of a device, of devices side by side, or of the history of checks.
One HTML file without script or network, to be shown, sent or printed; its first sentence
is the verdict.

A device is an outside command, or recordings of signals of boothbench tone that were
played through it. A claims file (boothbench prove --help) states its limits;
without one the command is measured with a sweep, a tone and silence.

Usage: boothbench report take TAKE.wav --chain CHAIN.toml --out PAGE.html [flags]
       boothbench report take TAKE.wav PROCESSED.wav --out PAGE.html [flags]
       boothbench report chain CHAIN.toml --out PAGE.html [flags]
       boothbench report device --exec 'TOOL {in} {out}' --out PAGE.html [flags]
       boothbench report device STIMULUS.wav RECORDING.wav … --out PAGE.html [flags]
       boothbench report devices SHEET.json … --out PAGE.html [flags]
       boothbench report history RUNS.jsonl … --out PAGE.html [flags]

Examples:
  boothbench report take take.wav --chain voice.toml --spec ebu-r128 --out take.html
  boothbench report chain voice.toml --out proof.html --svg pictures
  boothbench report device sweep.wav recorded.wav --claims preamp.toml --out preamp.html
  boothbench report devices device-a.json device-b.json --out devices.html
  boothbench report history runs.jsonl --out history.html
`

// pageSettings is what the flags ask for.
type pageSettings struct {
	kind                   string
	chain, limits, spec    string
	claims, rubric         string
	command                commandFlags
	out, svg               string
	rate, jobs             int
	replace, asJSON, quiet bool
	rateGiven, jobsGiven   bool

	failed error // of a device that failed; the page has the results before that
}

func runReport(e env, args []string) error {
	var s pageSettings
	f := e.flags("report", reportUsage)
	f.StringVar(&s.chain, "chain", "", "run the take through this chain `file`, as boothbench process does")
	f.StringVar(&s.limits, "limits", "", "a limits `file`, as boothbench check takes it; it decides the verdict")
	f.StringVar(&s.spec, "spec", "", "a delivery specification by its `name`, in place of a limits file (boothbench specs lists them)")
	f.StringVar(&s.claims, "claims", "", "the `file` with the claims of a device; it decides the verdict")
	f.StringVar(&s.rubric, "rubric", "", "grade the readings of devices by the steps in this TOML `file`")
	s.command.add(f)
	f.IntVar(&s.rate, "rate", 48000, "rate in `Hz` to prove a chain at, or to run a command at")
	f.IntVar(&s.jobs, "jobs", 0, "number of goroutines of the chain; 0: one per processor")
	f.StringVar(&s.out, "out", "", "the page, an HTML `file`")
	f.StringVar(&s.svg, "svg", "", "write each picture to this `folder`, as an SVG file")
	f.BoolVar(&s.replace, "replace", false, "write over existing files")
	f.BoolVar(&s.asJSON, "json", false, "print the readings as one JSON object")
	f.BoolVar(&s.quiet, "quiet", false, "no progress")
	if err := parse(f, args); err != nil {
		return err
	}
	s.rateGiven, s.jobsGiven = f.Changed("rate"), f.Changed("jobs")
	if f.NArg() == 0 {
		return usageError("found nothing to report on; accepted: take, chain, device, devices or history, for example: boothbench report chain voice.toml --out page.html")
	}
	s.kind = f.Arg(0)
	files := f.Args()[1:]
	if err := s.check(files); err != nil {
		return err
	}
	return s.run(e, files)
}

func (s *pageSettings) check(files []string) error {
	if s.out == "" && s.svg == "" {
		return usageError("found neither --out nor --svg; accepted: a page, its pictures, or both, for example --out page.html")
	}
	if s.kind != "devices" && s.rubric != "" {
		return usageError("report %s: --rubric is for devices", s.kind)
	}
	if s.kind != "device" && (s.claims != "" || s.command.exec != "") {
		return usageError("report %s: --claims and --exec are for a device", s.kind)
	}
	switch s.kind {
	case "take":
		switch {
		case s.chain == "" && len(files) != 2:
			return usageError("report take: found %s and no --chain; accepted: a take and --chain CHAIN.toml, or a take and its processed version", plural(len(files), "file"))
		case s.chain != "" && len(files) != 1:
			return usageError("report take: found %s and --chain; accepted: one take", plural(len(files), "file"))
		case s.limits != "" && s.spec != "":
			return usageError("--limits and --spec exclude each other: a limits file can name specifications")
		case s.rateGiven:
			return usageError("--rate has no meaning for a take: it has its own")
		case s.jobs < 0:
			return usageError("--jobs: found %d; accepted: 0 or more", s.jobs)
		}
	case "chain", "device":
		switch {
		case s.kind == "chain" && len(files) != 1:
			return usageError("report chain: found %s; accepted: one chain file", plural(len(files), "file"))
		case s.chain != "" || s.limits != "" || s.spec != "" || s.jobsGiven:
			return usageError("report %s: --chain, --limits, --spec and --jobs are for takes", s.kind)
		case s.kind == "device" && s.command.exec != "" && len(files) > 0:
			return usageError("report device: found %q; accepted: no files with --exec, which makes its own", files[0])
		case s.kind == "device" && s.command.exec == "" && (len(files) == 0 || len(files)%2 == 1):
			return usageError("report device: found %s; accepted: pairs of a stimulus and its recording, or --exec 'TOOL {in} {out}'", plural(len(files), "file"))
		case s.kind == "device" && s.command.exec == "" && s.rateGiven:
			return usageError("--rate has no meaning for recordings: they have their own")
		case s.rate < dsp.MinRate || s.rate > dsp.MaxRate:
			return usageError("--rate: found %d; accepted: %d to %d Hz", s.rate, dsp.MinRate, dsp.MaxRate)
		}
	case "devices":
		switch {
		case len(files) == 0:
			return usageError("report devices: found no sheet; accepted: JSON files as boothbench bench read and run write them")
		case s.chain != "" || s.limits != "" || s.spec != "" || s.jobsGiven || s.rateGiven:
			return usageError("report devices: --chain, --limits, --spec, --jobs and --rate are for takes and chains")
		}
	case "history":
		switch {
		case len(files) == 0:
			return usageError("report history: found no file; accepted: files that boothbench check --history wrote")
		case s.chain != "" || s.limits != "" || s.spec != "" || s.jobsGiven || s.rateGiven:
			return usageError("report history: --chain, --limits, --spec, --jobs and --rate are for takes and chains")
		}
	default:
		kinds := []string{"take", "chain", "device", "devices", "history"}
		return usageError("found %q%s; accepted: %s", s.kind, didYouMean(s.kind, kinds), strings.Join(kinds, ", "))
	}
	if err := onceFromStandardInput(append([]string{s.chain, s.limits, s.claims, s.rubric}, files...)...); err != nil {
		return err
	}
	return s.command.check()
}

func (s *pageSettings) run(e env, files []string) error {
	inputs := append([]string{s.chain, s.limits, s.claims, s.rubric}, files...)
	var outputs []wave.Output
	var out *wave.File
	if s.out != "" {
		var err error
		if out, err = e.createFile(s.out, s.replace, inputs); err != nil {
			return outputError(err)
		}
		defer out.Abort()
		outputs = append(outputs, out)
	}
	page, object, err := s.page(e, files)
	if err != nil {
		return err
	}
	if out != nil {
		if _, err := out.Write(page.HTML()); err != nil {
			return outputError(err)
		}
	}
	if s.svg != "" {
		if err := e.makeFolder(s.svg); err != nil {
			return err
		}
		for _, p := range page.Pictures() {
			f, err := e.createFile(filepath.Join(s.svg, p.Name+".svg"), s.replace, inputs)
			if err != nil {
				return outputError(err)
			}
			defer f.Abort()
			if _, err := f.Write([]byte(picture.SVG(p, picture.File) + "\n")); err != nil {
				return outputError(err)
			}
			outputs = append(outputs, f)
		}
	}
	if err := wave.CommitTogether(outputs...); err != nil {
		return outputError(err)
	}
	if s.asJSON {
		e.printJSON(object)
	} else if page.Unjudged {
		fmt.Fprintln(e.stdout, page.Answer)
	} else {
		fmt.Fprintf(e.stdout, "%s: %s\n", page.Verdict, page.Answer)
	}
	if s.failed != nil {
		return s.failed
	}
	if page.Verdict == measure.Fail || page.Verdict == measure.Undecided && (s.kind == "chain" || s.limits != "" || s.spec != "" || s.claims != "") {
		return &coded{exitLimit, errReported}
	}
	return nil
}

// page measures, and makes the page.
func (s *pageSettings) page(e env, files []string) (pages.Page, any, error) {
	switch s.kind {
	case "chain":
		return s.chainPage(e, files[0])
	case "device":
		return s.devicePage(e, files)
	case "history":
		return s.historyPage(files)
	case "devices":
		sheets, err := e.loadSheets(files, "")
		if err != nil {
			return pages.Page{}, nil, err
		}
		rubric, err := loadRubric(s.rubric)
		if err != nil {
			return pages.Page{}, nil, err
		}
		return pages.Devices(pages.OfSheets(sheets, files, rubric), version()), tableObject(sheets, bench.Compare(sheets), rubric), nil
	}
	return s.takePage(e, files)
}

// loadChain reads a chain file, and warns of what is odd in it.
func (s *pageSettings) loadChain(e env, path string) (*chain.Chain, error) {
	c, err := e.loadChain(path)
	if err == nil && !s.quiet {
		warn(e.stderr, c.Warnings())
	}
	return c, withCode(exitUsage, err)
}

// shown reports progress by tests, and returns a function that ends it.
func (s *pageSettings) shown(e env) (each func(string, int, int), clear func()) {
	p := newProgress(e.stderr, s.quiet, 0)
	return func(_ string, i, of int) {
		p.total = int64(of)
		if i > 0 {
			p.add(1)
		}
	}, p.clear
}

func (s *pageSettings) chainPage(e env, path string) (pages.Page, any, error) {
	c, err := s.loadChain(e, path)
	if err != nil {
		return pages.Page{}, nil, err
	}
	each, clear := s.shown(e)
	sheet, err := proof.OfChainWithCurves(e.ctx, c, s.rate, each)
	clear()
	if err != nil {
		return pages.Page{}, nil, withCode(exitUsage, err)
	}
	return pages.Chain(sheet, c.Text, version()), (&proveSettings{}).object(sheet, nil), nil
}

func (s *pageSettings) takePage(e env, files []string) (pages.Page, any, error) {
	settings := pages.TakeSettings{Take: files[0], Workers: s.jobs, Version: version()}
	var err error
	if s.chain != "" {
		if settings.Chain, err = s.loadChain(e, s.chain); err != nil {
			return pages.Page{}, nil, err
		}
		settings.ChainText = settings.Chain.Text
	} else {
		settings.Processed = files[1]
	}
	switch {
	case s.limits != "":
		settings.Limits, err = e.loadLimits(s.limits)
	case s.spec != "":
		settings.Limits, err = expect.AgainstSpec(s.spec)
	}
	if err != nil {
		return pages.Page{}, nil, withCode(exitUsage, err)
	}
	for _, path := range []*string{&settings.Take, &settings.Processed} {
		if *path == standardInput {
			if *path, err = e.keepTake(); err != nil {
				return pages.Page{}, nil, runError(nameOf(standardInput), err)
			}
		}
	}
	t, err := pages.ReadTake(e.ctx, settings)
	var fault *tomlfile.FileError
	if errors.As(err, &fault) {
		return pages.Page{}, nil, withCode(exitUsage, err)
	}
	if err != nil {
		return pages.Page{}, nil, runError(nameOf(files[0]), err)
	}
	warn(e.stderr, t.Warnings())
	before, after := t.Readings()
	return t.Page(), struct {
		SchemaVersion int              `json:"schema_version"`
		Command       string           `json:"command"`
		Warnings      []string         `json:"warnings,omitempty"`
		Verdict       string           `json:"verdict"`
		Before        measure.Readings `json:"before"`
		After         measure.Readings `json:"after"`
		Limits        []judgementJSON  `json:"limits,omitempty"`
	}{1, "report", textsOf(t.Warnings()), t.Page().Verdict.String(), before, after, judgementsObject(t.Judgements)}, nil
}
