package instrument_test

import (
	"context"
	"fmt"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// squared is a device with a square term: y = x + x²/10.
type squared struct{}

func (squared) Respond(_ context.Context, in wave.Source, out wave.Sink) error {
	var failed error
	err := measure.EachBlock(context.Background(), in, func(b dsp.Block) {
		for _, plane := range b {
			for n, x := range plane {
				plane[n] = x + x*x/10
			}
		}
		if failed == nil {
			failed = out.Write(b)
		}
	})
	if err != nil {
		return err
	}
	return failed
}

// The second harmonic of x + x²/10 at −20 dBFS is 0.05 · 0.1 of the fundamental.
func ExampleRun() {
	distortion := instrument.HarmonicDistortion{Tone: stimulus.StandardTone(-20)}
	readings, err := instrument.Run(context.Background(), squared{}, distortion, 48000)
	if err != nil {
		fmt.Println(err)
		return
	}
	second, _ := readings.Get("harmonic2_db")
	thd, _ := readings.Get("thd_fundamental_percent")
	fmt.Println(second, "of", second.Reference)
	fmt.Println(thd)
	// Output:
	// -46.02 dB of the fundamental
	// 0.50 %
}

func ExampleLevel_In() {
	calibration, _ := measure.ParseCalibration("0 dBFS = +16 dBu")
	tone := measure.Level{Value: -20, Unit: measure.DBFS}
	dbu, _ := tone.In(measure.DBU, calibration)
	_, err := tone.In(measure.DBU, nil)
	fmt.Println(dbu)
	fmt.Println(err)
	// Output:
	// -4.00 dBu
	// dBFS in dBu: full scale alone has no voltage; a calibration is needed, such as "0 dBFS = +16 dBu"
}
