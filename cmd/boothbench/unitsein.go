package main

import (
	"errors"

	"github.com/boothbench/boothbench/measure"
)

const einUsage = `boothbench units ein computes the equivalent input noise: output noise minus gain, and
the thermal noise of the source for comparison. Exit code 1: the result is below the
thermal noise, which is impossible: a level, the gain or a reference is wrong.

Usage: boothbench units ein --noise LEVEL --gain-db N --source-ohm N
                            --bandwidth-hz N --weighting NAME [flags]

Examples:
  boothbench units ein --noise "-88 dBu" --gain-db 40 --source-ohm 150 --bandwidth-hz 20000 --weighting none
  boothbench units ein --noise "-72 dBFS-sine" --calibration "0 dBFS = +16 dBu" --gain-db 60 --source-ohm 150 \
    --bandwidth-hz 20000 --weighting A
`

func runEIN(e env, args []string) error {
	u := e.unitsFlags("units ein", einUsage).calibrated()
	u.String("noise", "", "noise at the output, a `level` such as \"-88 dBu\"")
	u.String("gain-db", "", "gain from input to output, in `dB`")
	u.String("source-ohm", "", "resistance across the input during the measurement, in `ohm`")
	u.String("bandwidth-hz", "", "bandwidth of the measurement, in `Hz`")
	u.String("temperature-c", "20", "temperature of the source, in `degrees` Celsius")
	weighting := u.String("weighting", "", "`which` weighting: none, A, CCIR-RMS or BS.468 (its network, true rms)")
	if err := parse(u.FlagSet, args); err != nil {
		return err
	}
	if err := u.noArguments(); err != nil {
		return err
	}
	n := measure.InputNoise{Weighting: *weighting}
	var errs [6]error
	n.Calibration, errs[0] = u.ties()
	n.Noise, errs[1] = u.level("noise")
	n.GainDB, errs[2] = u.number("gain-db")
	n.SourceOhm, errs[3] = u.number("source-ohm")
	n.BandwidthHz, errs[4] = u.number("bandwidth-hz")
	n.TemperatureC, errs[5] = measure.ParseNumber(u.Lookup("temperature-c").Value.String())
	if err := errors.Join(errs[:]...); err != nil {
		return usageError("%v", err)
	}
	result, err := n.Equivalent()
	if err != nil {
		return usageError("%v", err)
	}
	code := exitDone
	if result.Impossible != "" {
		code = exitLimit
	}
	if *u.asJSON {
		e.printJSON(struct {
			unitsJSON
			Impossible string           `json:"impossible,omitempty"`
			Readings   measure.Readings `json:"readings"`
		}{u.head(code), result.Impossible, result.Readings})
	} else {
		printLedger(e.stdout, result.Readings)
	}
	if code != exitDone {
		return withCode(code, errors.New(result.Impossible+"; check gain, weighting, bandwidth, dBu against dBV, and that the source was connected"))
	}
	return nil
}
