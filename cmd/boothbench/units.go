package main

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/pflag"

	"github.com/boothbench/boothbench/measure"
)

const unitsUsage = `boothbench units converts levels between units, and computes input noise, output
impedance and loading from them. Levels in dBFS need a calibration to become volts.

Usage: boothbench units "LEVEL [in UNIT]" [--calibration LINE]
       boothbench units ein …               equivalent input noise
       boothbench units output-impedance …  from an open and a loaded level
       boothbench units loading …           frequency response of a source with a load

Units: dBFS (a full-scale sine is 0), dBFS-rms (mathematical: it is -3.01), dBu,
dBV, V, mV, uV. Help on each: boothbench units ein --help

Examples:
  boothbench units "-133 dBV in dBu"
  boothbench units "-20 dBFS in dBu" --calibration "0 dBFS = +16 dBu"
`

func runUnits(e env, args []string) error {
	if len(args) > 0 {
		switch args[0] {
		case "ein":
			return runEIN(e, args[1:])
		case "output-impedance":
			return runOutputImpedance(e, args[1:])
		case "loading":
			return runLoading(e, args[1:])
		}
	}
	return runConversion(e, args)
}

// units holds what all sub-commands share.
type units struct {
	*pflag.FlagSet
	calibration *string
	asJSON      *bool
}

func (e env) unitsFlags(name, usage string) units {
	u := units{FlagSet: e.flags(name, usage)}
	u.asJSON = u.Bool("json", false, "print one JSON object")
	return u
}

// calibrated adds the flag --calibration.
func (u units) calibrated() units {
	u.calibration = u.String("calibration", "", "the level of digital full scale, as `\"0 dBFS = +16 dBu\"`")
	return u
}

// ties parses the calibration, nil if none was given.
func (u units) ties() (*measure.Calibration, error) {
	if *u.calibration == "" {
		return nil, nil
	}
	c, err := measure.ParseCalibration(*u.calibration)
	if err != nil {
		return nil, usageError("--%v", err)
	}
	return c, nil
}

// number is a flag's number, nil if it was not given.
func (u units) number(name string) (*float64, error) {
	if !u.Changed(name) {
		return nil, nil
	}
	v, err := measure.ParseNumber(u.Lookup(name).Value.String())
	if err != nil {
		return nil, usageError("--%s: %v", name, err)
	}
	return &v, nil
}

// needed is a flag's number; without it the call is wrong.
func (u units) needed(name string) (float64, error) {
	v, err := u.number(name)
	if err == nil && v == nil {
		err = usageError("--%s is missing (see boothbench %s --help)", name, u.Name())
	}
	if err != nil {
		return 0, err
	}
	return *v, nil
}

// level is a flag's level, nil if it was not given.
func (u units) level(name string) (*measure.Level, error) {
	if !u.Changed(name) {
		return nil, nil
	}
	l, err := measure.ParseLevel(u.Lookup(name).Value.String())
	if err != nil {
		return nil, usageError("--%s: %v", name, err)
	}
	return &l, nil
}

// noArguments refuses arguments that are not flags.
func (u units) noArguments() error {
	if u.NArg() > 0 {
		return usageError("found %q; accepted: flags only (see boothbench %s --help)", u.Arg(0), u.Name())
	}
	return nil
}

// unitsJSON begins the JSON object of every sub-command.
type unitsJSON struct {
	SchemaVersion int    `json:"schema_version"`
	Command       string `json:"command"`
	ExitCode      int    `json:"exit_code"`
}

func (u units) head(code int) unitsJSON { return unitsJSON{1, u.Name(), code} }

func runConversion(e env, args []string) error {
	u := e.unitsFlags("units", unitsUsage).calibrated()
	question, flags := splitQuestion(u.FlagSet, args)
	if err := parse(u.FlagSet, flags); err != nil {
		return err
	}
	question = append(question, u.Args()...)
	if len(question) != 1 {
		return usageError("found %d questions; accepted: one in quotes, for example: boothbench units \"-133 dBV in dBu\"; or %s", len(question), "ein, output-impedance, loading")
	}
	c, err := u.ties()
	if err != nil {
		return err
	}
	given, wanted, err := measure.ParseQuestion(question[0], c)
	if err != nil {
		return usageError("%v", err)
	}
	found := []measure.Level{}
	for _, unit := range wanted {
		l, err := given.In(unit, c)
		var missing *measure.CalibrationError
		if errors.As(err, &missing) {
			return usageError("%v (--calibration)", err)
		} else if err != nil {
			return usageError("%v", err)
		}
		found = append(found, l)
	}
	if *u.asJSON {
		o := struct {
			unitsJSON
			Level       measure.Level   `json:"level"`
			Calibration string          `json:"calibration,omitempty"`
			Equal       []measure.Level `json:"equals"`
		}{u.head(exitDone), given, "", found}
		if c != nil {
			o.Calibration = c.String()
		}
		e.printJSON(o)
		return nil
	}
	for _, l := range found {
		fmt.Fprintf(e.stdout, "%v = %v\n", given, l)
	}
	if c != nil {
		fmt.Fprintf(e.stdout, "(%v)\n", c)
	}
	return nil
}

// splitQuestion separates a level such as "-20 dBFS", which looks like a flag, from the
// arguments.
func splitQuestion(f *pflag.FlagSet, args []string) (question, flags []string) {
	for i := 0; i < len(args); i++ {
		name, isFlag := strings.CutPrefix(args[i], "--")
		if isFlag {
			flags = append(flags, args[i])
			if flag := f.Lookup(name); flag != nil && flag.NoOptDefVal == "" && i+1 < len(args) {
				i++
				flags = append(flags, args[i])
			}
			continue
		}
		if len(args[i]) > 1 && args[i][0] == '-' && strings.ContainsAny(args[i][1:2], "0123456789.,") {
			question = append(question, args[i])
			continue
		}
		flags = append(flags, args[i])
	}
	return question, flags
}

// printLedger prints readings without a time code, each with its definition.
func printLedger(w io.Writer, readings measure.Readings) {
	for _, r := range readings {
		if !r.Measurable() {
			fmt.Fprintf(w, "  %-27s %s\n", r.Name, r.Reason)
			continue
		}
		fmt.Fprintf(w, "  %-27s %8.2f %s\n", r.Name, r.Value, r.Unit)
		fmt.Fprintf(w, "  %-27s          %s\n", "", strings.TrimSuffix(r.Definition+"; "+r.Bound, "; "))
	}
}
