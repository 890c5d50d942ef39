package stimulus_test

import (
	"fmt"

	"github.com/boothbench/boothbench/measure/stimulus"
)

// A stimulus between marks, and the identity that recognises it.
func ExampleMarked() {
	played := stimulus.Marked{Signal: stimulus.StandardImpulse(-20), Rate: 48000}
	sound, layout, err := played.Make()
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(played.Identity())
	fmt.Printf("code %08x, %d frames, the signal from %d to %d\n", played.Code(), sound.Frames(), layout.Signal, layout.SignalEnd)
	again, err := stimulus.ParseIdentity(played.Identity())
	fmt.Println(again.Code() == played.Code(), err)
	// Output:
	// boothbench-stimulus schema=2 rate_hz=48000 kind=impulse peak_dbfs=-20 lead_seconds=1 seconds=2 channels=1
	// code 54f38a2d, 270240 frames, the signal from 90240 to 186240
	// true <nil>
}
