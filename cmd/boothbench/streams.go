package main

import (
	"errors"
	"io"
	"os"
	"syscall"

	"golang.org/x/term"

	"github.com/boothbench/boothbench/dsp/wave"
)

// openTake opens a take: a file, or standard input, which can be read once. raw is the
// format of samples without a header, nil for files that have a header.
func (e env) openTake(path string, raw *wave.Format) (*wave.Reader, error) {
	switch {
	case path == standardInput && raw != nil:
		return wave.NewRawStream(&interruptible{ctx: e.ctx, r: e.stdin}, *raw, nameOf(path))
	case path == standardInput:
		return wave.NewStream(&interruptible{ctx: e.ctx, r: e.stdin}, nameOf(path))
	case raw != nil:
		return wave.OpenRaw(path, *raw)
	}
	return wave.Open(path)
}

// parseRaw is the format given with --raw, nil if none was given.
func parseRaw(text string) (*wave.Format, error) {
	if text == "" {
		return nil, nil
	}
	f, err := wave.ParseRaw(text)
	if err != nil {
		return nil, usageError("--raw: %v", err)
	}
	return &f, nil
}

// openAgain opens a take that may be read several times: standard input is kept in a
// temporary file.
func (e env) openAgain(path string, raw *wave.Format) (*wave.Reader, error) {
	if path != standardInput {
		return e.openTake(path, raw)
	}
	kept, err := e.outputs.keep(&interruptible{ctx: e.ctx, r: e.stdin})
	if err != nil {
		return nil, err
	}
	r, err := e.openTake(kept, raw)
	if refused := (*wave.FormatError)(nil); errors.As(err, &refused) {
		refused.Path = nameOf(path)
	} else if err == nil {
		r.Rename(nameOf(path))
	}
	return r, err
}

// onceFromStandardInput refuses more than one argument that is standard input.
func onceFromStandardInput(paths ...string) error {
	count := 0
	for _, path := range paths {
		if path == standardInput {
			count++
		}
	}
	if count > 1 {
		return usageError("found - %d times; accepted: once, since standard input can be read only once", count)
	}
	return nil
}

// keepTake copies standard input to a temporary file, and returns its path where it holds
// a sound file.
func (e env) keepTake() (string, error) {
	r, err := e.openAgain(standardInput, nil)
	if err != nil {
		return "", err
	}
	r.Close()
	return e.outputs.keep(nil)
}

// soundOut is standard output for sound. Unlike results its Write returns errors, and the
// run ends where the reader has closed it.
type soundOut struct{ *results }

func (s soundOut) Write(b []byte) (int, error) {
	n, err := s.w.Write(b)
	if errors.Is(err, syscall.EPIPE) {
		s.mu.Lock()
		s.err = err
		s.mu.Unlock()
		s.closed()
	}
	return n, err
}

// onTerminal reports whether a stream is a terminal.
func onTerminal(stream any) bool {
	f, ok := stream.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// printingTo is the same command with its results on another stream, while standard
// output holds sound.
func (e env) printingTo(w io.Writer) env {
	e.stdout = &results{w: w, closed: func() {}, sound: e.stdout}
	return e
}
