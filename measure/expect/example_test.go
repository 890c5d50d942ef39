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
