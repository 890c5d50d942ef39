package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"

	"github.com/spf13/pflag"

	"github.com/boothbench/boothbench/chain/document"
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

func inputError(err error) error  { return withCode(exitInput, err) }
func outputError(err error) error { return withCode(exitOutput, err) }

// createError is an output that cannot be begun: the caller's mistake where the
// name is taken, else the disk's.
func createError(err error) error {
	switch {
	case errors.Is(err, wave.ErrExists):
		return usageError("%w; --replace writes over it", err)
	case errors.Is(err, wave.ErrIsInput):
		return withCode(exitUsage, err)
	}
	return outputError(err)
}

// said is an error in words: the system's own tell no one what to do.
func said(err error) string {
	text := err.Error()
	var path *fs.PathError
	if !errors.As(err, &path) {
		return text
	}
	why := path.Err.Error()
	switch {
	case errors.Is(err, fs.ErrNotExist) && path.Op == "create":
		why = "its folder does not exist; make it first, or see how the name is spelt"
	case errors.Is(err, fs.ErrNotExist):
		why = "there is no such file; see how the name is spelt, and in which folder this is"
	case errors.Is(err, fs.ErrPermission):
		why = "permission denied; see whose file or folder it is"
	}
	text = strings.Replace(text, path.Error(), path.Path+": "+why, 1)
	return strings.Replace(text, path.Path+": "+path.Path+": ", path.Path+": ", 1)
}

// checkWAVName refuses the name of another kind of file for a WAV.
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

// exitCode chooses the code for what a command returned.
func exitCode(err error) int {
	var c *coded
	var file *document.FileError
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, context.Canceled):
		return exitInterrupted
	case errors.As(err, &file):
		return exitUsage
	case errors.As(err, &c):
		return c.code
	}
	if errors.Is(err, pflag.ErrHelp) {
		return exitDone
	}
	return exitFault
}
