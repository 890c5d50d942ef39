package main

import (
	"time"

	"github.com/spf13/pflag"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/instrument"
)

// commandFlags are the flags of a device that is an outside command.
type commandFlags struct {
	exec    string
	timeout time.Duration
	integer bool
}

func (c *commandFlags) add(f *pflag.FlagSet) {
	f.StringVar(&c.exec, "exec", "", "the device is this `command`, run without a shell; {in} and {out} stand for WAV files; what needs a shell gets them as arguments: sh -c 'a <\"$0\" >\"$1\"' {in} {out}, not inside the quotes, where the shell would take them apart")
	f.DurationVar(&c.timeout, "timeout", 10*time.Minute, "how long each run of the command may take")
	f.BoolVar(&c.integer, "integer", false, "give the command 24-bit integers instead of 32-bit floating point")
}

// check refuses what cannot be.
func (c *commandFlags) check() error {
	if c.timeout <= 0 {
		return usageError("--timeout: found %v; accepted: more than 0", c.timeout)
	}
	return nil
}

// device is the command. What earlier runs that were killed have left of theirs goes.
func (c *commandFlags) device(e env) (*instrument.Command, error) {
	d, err := instrument.ParseCommand(c.exec)
	if err != nil {
		return nil, withCode(exitUsage, err)
	}
	wave.RemoveLeftoverFolders(e.nameLeftover)
	d.Timeout, d.Integer = c.timeout, c.integer
	return d, nil
}
