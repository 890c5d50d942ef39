package main

import (
	"errors"
	"fmt"
	"os"

	"github.com/boothbench/boothbench/measure"
)

const outputImpedanceUsage = `boothbench units output-impedance computes the impedance of an output from its
level without and with a load. Only the ratio counts, so both may be in dBFS.

Usage: boothbench units output-impedance --open LEVEL --loaded LEVEL --load-ohm N

Examples:
  boothbench units output-impedance --open "4 dBu" --loaded "3.2 dBu" --load-ohm 600
  boothbench units output-impedance --open "-20 dBFS" --loaded "-21.5 dBFS" --load-ohm 33
`

const loadingUsage = `boothbench units loading computes the frequency response that a source impedance
makes with a load: a curve from a file of lines hz,ohm, or a headphone with one
resonance, dc-ohm + (peak-ohm - dc-ohm)/(1 + jQ(f/f0 - f0/f)).

Usage: boothbench units loading --source-ohm N --curve FILE.csv [flags]
       boothbench units loading --source-ohm N --dc-ohm N --peak-ohm N
                                --resonance-hz N --q N [flags]

Examples:
  boothbench units loading --source-ohm 10 --dc-ohm 40 --peak-ohm 120 --resonance-hz 90 --q 2
  boothbench units loading --source-ohm 10 --curve headphone.csv --json
`

func runOutputImpedance(e env, args []string) error {
	u := e.unitsFlags("units output-impedance", outputImpedanceUsage).calibrated()
	u.String("open", "", "`level` without load")
	u.String("loaded", "", "`level` of the same tone with the load")
	u.String("load-ohm", "", "resistance of the load, in `ohm`")
	if err := parse(u.FlagSet, args); err != nil {
		return err
	}
	if err := u.noArguments(); err != nil {
		return err
	}
	c, failed := u.ties()
	open, err := u.level("open")
	failed = errors.Join(failed, err)
	loaded, err := u.level("loaded")
	failed = errors.Join(failed, err)
	ohm, err := u.needed("load-ohm")
	if failed = errors.Join(failed, err); failed != nil {
		return usageError("%v", failed)
	}
	if open == nil || loaded == nil {
		return usageError("--open and --loaded are both needed (see boothbench units output-impedance --help)")
	}
	readings, err := measure.OutputImpedance(*open, *loaded, ohm, c)
	if err != nil {
		return usageError("%v", err)
	}
	if *u.asJSON {
		e.printJSON(struct {
			unitsJSON
			Readings measure.Readings `json:"readings"`
		}{u.head(exitDone), readings})
		return nil
	}
	printLedger(e.stdout, readings)
	return nil
}

func runLoading(e env, args []string) error {
	u := e.unitsFlags("units loading", loadingUsage)
	u.String("source-ohm", "", "output impedance of the source, in `ohm`")
	curve := u.String("curve", "", "a `file` with lines hz,ohm")
	u.String("dc-ohm", "", "headphone: resistance away from the resonance, in `ohm`")
	u.String("peak-ohm", "", "headphone: impedance at the resonance, in `ohm`")
	u.String("resonance-hz", "", "headphone: frequency of the resonance, in `Hz`")
	u.String("q", "", "headphone: Q of the resonance, a `number`")
	if err := parse(u.FlagSet, args); err != nil {
		return err
	}
	if err := u.noArguments(); err != nil {
		return err
	}
	source, err := u.needed("source-ohm")
	if err != nil {
		return err
	}
	load, err := u.load(*curve)
	if err != nil {
		return err
	}
	points, readings, err := measure.LoadResponse(source, load)
	if err != nil {
		return usageError("%v", err)
	}
	if *u.asJSON {
		e.printJSON(struct {
			unitsJSON
			Readings measure.Readings    `json:"readings"`
			Points   []measure.LoadPoint `json:"points"`
		}{u.head(exitDone), readings, points})
		return nil
	}
	printLedger(e.stdout, readings)
	fmt.Fprintf(e.stdout, "\n  %9s %9s %9s\n", "Hz", "ohm", "dB")
	for _, p := range points {
		fmt.Fprintf(e.stdout, "  %9.5g %9.4g %9.2f\n", p.Hz, p.Ohm, p.Level)
	}
	return nil
}

// load is the impedance from a file, or from the model that the flags describe.
func (u units) load(path string) ([]measure.ImpedancePoint, error) {
	if path != "" {
		file, err := os.Open(path)
		if err != nil {
			return nil, inputError(err)
		}
		defer file.Close()
		curve, err := measure.ReadImpedanceCurve(path, file)
		return curve, inputError(err)
	}
	var numbers [4]float64
	for i, name := range []string{"dc-ohm", "peak-ohm", "resonance-hz", "q"} {
		v, err := u.number(name)
		if err != nil {
			return nil, err
		}
		if v == nil {
			return nil, usageError("found no --%s; accepted: --curve FILE.csv, or all of --dc-ohm, --peak-ohm, --resonance-hz and --q", name)
		}
		numbers[i] = *v
	}
	model := measure.ResonantLoad{DCOhm: numbers[0], PeakOhm: numbers[1], ResonanceHz: numbers[2], Q: numbers[3]}
	curve, err := model.Curve()
	if err != nil {
		return nil, usageError("%v", err)
	}
	return curve, nil
}
