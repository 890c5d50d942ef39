package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"

	"github.com/spf13/pflag"

	"github.com/boothbench/boothbench/chain/tomlfile"
	"github.com/boothbench/boothbench/dsp/wave"
)

// Exit codes. They are documented in the README and stay.
const (
	exitDone        = 0
	exitLimit       = 1
	exitUsage       = 2
	exitInput       = 3
	exitOutput      = 4
	exitFault       = 5
	exitInterrupted = 130
	exitUnread      = 141 // as shells report a program that SIGPIPE ended: 128 + 13
)

// coded is an error with the exit code it calls for.
type coded struct {
	code int
	err  error
}

func (c *coded) Error() string { return c.err.Error() }
func (c *coded) Unwrap() error { return c.err }

// errReported stands for errors that have been printed already.
var errReported = errors.New("see above")

func usageError(format string, args ...any) error {
	return &coded{exitUsage, fmt.Errorf(format, args...)}
}

func inputError(err error) error { return withCode(exitInput, err) }

// inputErrorUnless gives an error the exit code of a bad input, and usageErrorUnless that
// of a wrong call, unless the error has an exit code already.
func inputErrorUnless(err error) error { return codeUnless(exitInput, err) }
func usageErrorUnless(err error) error { return codeUnless(exitUsage, err) }

func codeUnless(code int, err error) error {
	if c := (*coded)(nil); errors.As(err, &c) {
		return err
	}
	return withCode(code, err)
}

// outputError is the error of an output that cannot be written. Where the file exists
// already, it names --replace.
func outputError(err error) error {
	if errors.Is(err, wave.ErrExists) {
		return usageError("%w; --replace writes over it", err)
	}
	return withCode(exitOutput, err)
}

// bare is an error of the operating system without the file name in it.
func bare(err error) error {
	if path := (*fs.PathError)(nil); errors.As(err, &path) {
		return path.Err
	}
	return err
}

// checkWAVName refuses an output name with the extension of another file format.
func checkWAVName(flag, path string) error {
	switch ext := strings.ToLower(filepath.Ext(path)); ext {
	case ".mp3", ".flac", ".aac", ".m4a", ".ogg", ".opus", ".aif", ".aiff", ".caf", ".toml", ".csv", ".json", ".txt":
		return usageError("--%s: found %s, a name that ends in %s; accepted: WAV files, such as %s.wav", flag, path, ext, strings.TrimSuffix(path, filepath.Ext(path)))
	}
	return nil
}

func withCode(code int, err error) error {
	if err == nil {
		return nil
	}
	return &coded{code, err}
}

// exitCode chooses the exit code for the error of a command. The type of the error counts
// before the code that it was given: an output that fails while an input is measured is
// not the fault of the input.
func exitCode(err error) int {
	var c *coded
	var file *tomlfile.FileError
	var output *wave.OutputError
	switch {
	case err == nil, errors.Is(err, pflag.ErrHelp):
		return exitDone
	case errors.Is(err, context.Canceled):
		return exitInterrupted
	case errors.As(err, &file), errors.Is(err, wave.ErrExists), errors.Is(err, wave.ErrIsInput), errors.Is(err, wave.ErrNotAFile):
		return exitUsage
	case errors.As(err, &output):
		return exitOutput
	case errors.As(err, &c):
		return c.code
	}
	return exitFault
}
