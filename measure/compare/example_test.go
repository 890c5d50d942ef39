package compare_test

import (
	"context"
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/compare"
)

// A copy that is 14 frames later and 1.3 dB quieter.
func ExampleSounds() {
	a, b := make([]float64, 96000), make([]float64, 96000)
	for n := range a {
		t := float64(n) / 48000
		a[n] = 0.2 * math.Sin(2*math.Pi*(200+1000*t)*t)
		if n >= 14 {
			b[n] = a[n-14] * math.Pow(10, -1.3/20)
		}
	}
	open := func(x []float64) func() (wave.Source, error) {
		return func() (wave.Source, error) {
			return wave.NewMemory(wave.Unquantised(48000, 1), [][]float64{x}), nil
		}
	}
	c, err := compare.Sounds(context.Background(), open(a), open(b), compare.Settings{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(c.Summary())
	delay, _ := c.Readings().Get("delay_frames")
	fmt.Println(delay)
	// Output:
	// B is 14 frames later, 1.30 dB quieter; the rest is below -140 dBFS (compared: frames 0 to 95986 of A's 96000; B has 96000)
	// 14 frames
}
