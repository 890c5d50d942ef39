package wave_test

import (
	"fmt"
	"os"
	"path/filepath"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

func Example() {
	folder, err := os.MkdirTemp("", "harbour-street")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(folder)
	path := filepath.Join(folder, "take.wav")

	w, err := wave.Create(path, wave.Format{Rate: 48000, Channels: 2, Encoding: wave.Integer, Bits: 24}, wave.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer w.Abort() // does nothing once committed
	w.Write(dsp.Block{{0, 0.5, 1.5}, {0, -0.5, -1}})
	if err := w.Commit(); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("clamped:", w.Overs().Count)

	r, err := wave.Open(path)
	if err != nil {
		fmt.Println(err)
		return
	}
	defer r.Close()
	block := dsp.NewBlock(r.Format().Channels, int(r.Frames()))
	r.Read(block)
	fmt.Println(r.Format())
	fmt.Println(block[1])
	// Output:
	// clamped: 1
	// 2 channels, 48000 Hz, 24-bit integer
	// [0 -0.5 -1]
}
