package chain_test

import (
	"context"
	"fmt"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp/wave"
)

// A take goes through a chain file into a new file.
func ExampleEngine_Process() {
	c, err := chain.Load("../testdata/harbour-street.toml")
	if err != nil {
		fmt.Println(err)
		return
	}
	take, err := wave.Open("../testdata/harbour-street.wav")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer take.Close()
	f := take.Format()
	engine, err := c.Prepare(f.Rate, f.Channels)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, stage := range engine.Plan() {
		fmt.Println(stage.Name, stage.LatencyFrames)
	}
	result, err := engine.Process(context.Background(), take, discard{}) // or a wave.Writer
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("frames:", result.Frames, "latency removed:", result.LatencyFrames)
	// Output:
	// highpass 0
	// expander 240
	// compressor 0
	// equaliser 0
	// limiter 655
	// frames: 637920 latency removed: 895
}
