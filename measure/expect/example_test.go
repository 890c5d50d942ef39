package expect_test

import (
	"fmt"
	"testing"

	"github.com/boothbench/boothbench/measure/expect"
)

// In a test of a module that holds a voice chain.
func ExampleTruePeakAtMost() {
	test := func(t *testing.T) {
		planes := [][]float64{make([]float64, 48000)} // what the chain made
		sound := expect.Planes(48000, planes)
		expect.TruePeakAtMost(t, sound, -1)
		expect.Null(t, sound, expect.File("testdata/approved.wav"), -120)
	}
	_ = test
}

// In a test of a module that has a processor of its own. The file
// yourprocessor_test.go beside this one is a whole page of it.
func ExampleProcessor() {
	half := func(_ int, planes [][]float64) [][]float64 {
		for _, plane := range planes {
			for n := range plane {
				plane[n] /= 2
			}
		}
		return planes
	}
	test := func(t *testing.T) {
		p := expect.Processor{Name: "half", RateHz: 48000, Device: expect.DeviceFunc(half)}
		expect.SameBits(t, p)
		expect.Response(t, p, expect.Mask{{Hz: 20, MinDB: -6.1, MaxDB: -6}, {Hz: 20000, MinDB: -6.1, MaxDB: -6}})
		expect.IdleNoise(t, p, -120)
		expect.Overshoot(t, p, 0, 15.2) // the worst of the test signals comes 15.13 dB over a ceiling of 0 dBTP
	}
	_ = test
}

func ExampleParse() {
	limits, err := expect.Parse("season.toml", []byte(`schema = 1
[[expect]]
files = ["ep*.wav"]
spec = "ebu-r128"
noise_floor_dbfs = { max = -60 }
`))
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, l := range limits.Groups[0].Limits {
		fmt.Println(l.Reading, l)
	}
	// Output:
	// integrated_lufs -23.2 to -22.8
	// true_peak_dbtp at most -1
	// noise_floor_dbfs at most -60
}
