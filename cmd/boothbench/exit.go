package main

import (
	"context"
	"errors"
	"fmt"

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
