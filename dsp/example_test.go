package dsp_test

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
)

// A compressor's static curve: steady tones, the gain once it has settled.
func ExampleNewCompressor() {
	compressor, err := dsp.NewCompressor(dsp.CompressorSettings{
		ThresholdDBFS: -20, Ratio: 4, KneeDB: 6, AttackMs: 5, ReleaseMs: 50, Detector: dsp.Peak, DetectorWindowMs: 10,
	}, 48000, 1)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, level := range []float64{-40, -22, -20, -12, 0} {
		tone, gain := dsp.NewBlock(1, 48000), dsp.NewBlock(1, 48000)
		for n := range tone[0] {
			tone[0][n] = dsp.DBToAmplitude(level) * math.Sin(2*math.Pi*1000*float64(n)/48000)
		}
		compressor.Reset()
		compressor.ProcessTraced(tone, gain)
		db := dsp.AmplitudeToDB(gain[0][47999])
		fmt.Printf("%4.0f dBFS: gain %7.4f dB\n", level, db+0)
	}
	// Output:
	//  -40 dBFS: gain  0.0000 dB
	//  -22 dBFS: gain -0.0625 dB
	//  -20 dBFS: gain -0.5625 dB
	//  -12 dBFS: gain -6.0000 dB
	//    0 dBFS: gain -15.0000 dB
}
