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

// measured is a file and a command's measurement of it.
type measured interface {
	name() string
	run(e env, quiet bool) error
	print(e env)
	object(failed error) any // for --json; failed is the error of run
}

// measureEach measures files one after the other. A file that fails is named on
// stderr and does not stop the others; an output that can no longer be written does.
func (e env) measureEach(command string, files []measured, asJSON, quiet bool) error {
	var worst error
	for _, m := range files {
		if e.stdout.failure() != nil {
			break
		}
		err := m.run(e, quiet)
		if errors.Is(err, context.Canceled) {
			return fmt.Errorf("%s: %w", m.name(), err)
		}
		if err != nil {
			err = inputErrorUnless(err)
			worst = &coded{max(exitCode(worst), exitCode(err)), errReported}
			fmt.Fprintf(e.stderr, "boothbench %s: %s\n", command, wave.ErrorText(err))
		}
		if asJSON {
			e.printJSON(m.object(err))
		} else if err == nil {
			m.print(e)
		}
	}
	return worst
}

// file holds what all measured files have in common: path, format and length in frames.
type file struct {
	path     string
	raw      *wave.Format // of bare samples; nil: the file states its own
	format   wave.Format  // its rate is 0 until the file could be opened
	frames   int64
	warnings []wave.Warning
}

func (f *file) name() string { return nameOf(f.path) }

// open opens the file and keeps the properties from its header.
func (f *file) open(e env) (*wave.Reader, error) {
	r, err := e.openAgain(f.path, f.raw)
	if err != nil {
		return nil, err
	}
	f.format, f.frames, f.warnings = r.Format(), r.Frames(), warningsOf(r)
	return r, nil
}

// warn prints warnings, one per line.
func warn[W any](w io.Writer, warnings []W) {
	for _, text := range warnings {
		fmt.Fprintf(w, "warning: %v\n", text)
	}
}

// underName are faults of a file, each with its name ahead.
func underName(file string, faults []string) []string {
	var all []string
	for _, fault := range faults {
		all = append(all, file+": "+fault)
	}
	return all
}

func (f *file) warn(e env) {
	warn(e.stderr, f.warnings)
}

func (f *file) print(e env) {
	f.warn(e)
	fmt.Fprintf(e.stdout, "%s  %s, %s\n", f.name(), measure.TimeCode(f.frames, f.format.Rate), f.format)
}

// headJSON begins the JSON object of every measured file.
type headJSON struct {
	SchemaVersion int      `json:"schema_version"`
	Command       string   `json:"command"`
	ExitCode      int      `json:"exit_code"`
	Error         string   `json:"error,omitempty"`
	Input         fileJSON `json:"input"`
	Warnings      []string `json:"warnings"`
}

func (f *file) head(command string, failed error) headJSON {
	h := headJSON{SchemaVersion: 1, Command: command, Input: fileJSON{pathJSON: pathOf(f.path)}, Warnings: []string{}}
	for _, w := range f.warnings {
		h.Warnings = append(h.Warnings, w.String())
	}
	if f.format.Rate != 0 {
		h.Input.formatJSON, h.Input.Frames, h.Input.SHA256 = formatOf(f.format), &f.frames, hashOfFile(f.path)
	}
	if failed != nil {
		h.ExitCode, h.Error = exitCode(failed), wave.ErrorText(failed)
	}
	return h
}

// watchedSource is a source that shows its progress and stops when its context
// ends.
type watchedSource struct {
	wave.Source
	ctx   context.Context
	shown *progress
}

func (s *watchedSource) Read(b dsp.Block) (int, error) {
	if err := s.ctx.Err(); err != nil {
		return 0, err
	}
	n, err := s.Source.Read(b)
	s.shown.add(int64(n))
	return n, err
}

func (s *watchedSource) Close() error {
	if c, ok := s.Source.(io.Closer); ok {
		return c.Close()
	}
	return nil
}

// textsOf are warnings as texts.
func textsOf(warnings []wave.Warning) []string {
	var all []string
	for _, w := range warnings {
		all = append(all, w.String())
	}
	return all
}
