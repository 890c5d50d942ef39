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
	f.StringVar(&c.exec, "exec", "", "the device is this `command`, run without a shell; {in} and {out} stand for WAV files. Where a shell is needed, pass them as arguments: sh -c 'a <\"$0\" >\"$1\"' {in} {out}. Inside the quotes the shell would split a name that has a space")
	f.DurationVar(&c.timeout, "timeout", 10*time.Minute, "how long each run of the command may take")
	f.BoolVar(&c.integer, "integer", false, "give the command 24-bit integers instead of 32-bit floating point")
}

// check refuses a time limit that is not positive.
func (c *commandFlags) check() error {
	if c.timeout <= 0 {
		return usageError("--timeout: found %v; accepted: more than 0", c.timeout)
	}
	return nil
}

// device returns the command as a device, and removes the temporary folders that killed
// runs have left.
func (c *commandFlags) device(e env) (*instrument.Command, error) {
	d, err := instrument.ParseCommand(c.exec)
	if err != nil {
		return nil, withCode(exitUsage, err)
	}
	wave.RemoveLeftoverFolders(e.nameLeftover)
	d.Timeout, d.Integer = c.timeout, c.integer
	return d, nil
}
