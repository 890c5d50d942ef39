package instrument_test

import (
	"errors"
	"fmt"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/instrument"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// A device is recorded: the stimulus is found in the recording, or the recording is void and
// states why.
func ExampleAlign() {
	played := stimulus.Marked{Signal: stimulus.Tone{Hz: 997, PeakDBFS: -20, Seconds: 1}, Rate: 48000}
	sound, _, err := played.Make()
	if err != nil {
		fmt.Println(err)
		return
	}
	recorded := make([]float64, 480, 480+sound.Frames()) // 10 ms late, and inverted
	for _, x := range sound[0] {
		recorded = append(recorded, -x)
	}
	a, err := instrument.Align(played, instrument.Recording{Sound: dsp.Block{recorded}, Rate: 48000, Bits: 24})
	if err != nil {
		fmt.Println(err)
		return
	}
	latency, _ := a.Readings.Get("latency_ms")
	fmt.Println(latency)
	for _, f := range a.Findings {
		fmt.Println(f.What)
	}

	_, err = instrument.Align(played, instrument.Recording{Sound: dsp.NewBlock(1, 48000), Rate: 48000})
	var void *instrument.VoidError
	fmt.Println(errors.As(err, &void), err)
	// Output:
	// 10.00 ms
	// polarity inverted
	// true void: channel 1: stimulus not found: neither mark is in the recording; was this stimulus played, and this input recorded?
}

// A high-pass delays low frequencies and has no latency.
func ExampleSweepResponse_Curves() {
	device := instrument.SweepResponse{Sweep: stimulus.StandardSweep(-20)}
	sound, err := device.Sweep.Make(48000)
	if err != nil {
		fmt.Println(err)
		return
	}
	dsp.NewCascade(dsp.ButterworthHighPass(2, 80, 48000), 1).Process(sound)
	curves, err := device.Curves(48000, sound)
	if err != nil {
		fmt.Println(err)
		return
	}
	read := curves[0].CornerReadings(10000, 20)
	corner, _ := read.Get("corner_hz")
	fmt.Println(corner, "against", corner.Reference)
	fmt.Printf("%.2f dB and %.2f ms at 40 Hz\n", curves[0].DB(40), curves[0].DelayMs(40))
	// Output:
	// 80.00 Hz against the magnitude at 10 kHz
	// -12.30 dB and 3.31 ms at 40 Hz
}
