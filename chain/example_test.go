package chain_test

import (
	"context"
	"errors"
	"fmt"
	"os"

	"github.com/go-audio/wav"

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

// Sound that a go-audio decoder stands in front of goes through a chain into a go-audio
// encoder.
func ExampleEngine_Process_goAudio() {
	in, err := os.Open("../testdata/harbour-street.wav")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer in.Close()
	out, err := os.CreateTemp("", "*.wav")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.Remove(out.Name())
	c, err := chain.Parse("quieter", []byte("schema = 1\n[[stage]]\nkind = \"gain\"\ngain_db = -6\n"))
	if err != nil {
		fmt.Println(err)
		return
	}
	engine, err := c.Prepare(48000, 1)
	if err != nil {
		fmt.Println(err)
		return
	}
	encoder := wav.NewEncoder(out, 48000, 16, 1, 1)

	src, err1 := wave.FromDecoder(wav.NewDecoder(in))
	dst, err2 := wave.ToEncoder(encoder)
	result, err3 := engine.Process(context.Background(), src, dst)

	fmt.Println(result.Frames, errors.Join(err1, err2, err3, encoder.Close()))
	// Output:
	// 637920 <nil>
}
