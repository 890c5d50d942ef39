package measure_test

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
)

// A tone of a quarter of the rate whose samples lie 3 dB under its crests.
func ExampleOvers() {
	b := dsp.NewBlock(1, 48000)
	for n := range b[0] {
		b[0][n] = math.Sin(math.Pi/2*float64(n)+math.Pi/4) * math.Sin(math.Pi*float64(n)/48000)
	}
	overs, err := measure.NewOvers(measure.OverSettings{Rate: 48000, Channels: 1, CeilingDBTP: -1})
	if err != nil {
		panic(err)
	}
	overs.Write(b)
	events, count := overs.Events()
	e := events[0]
	fmt.Printf("%d over in channel %d, %.2f dB by samples, %.2f dB by the fine reading: over by %v\n", count, e.Channel+1,
		dsp.AmplitudeToDB(e.Sample)+1, dsp.AmplitudeToDB(e.Fine)+1, e.Exceeds(-1))
	// Output: 1 over in channel 1, -2.01 dB by samples, 1.00 dB by the fine reading: over by [annex2 fine]
}
