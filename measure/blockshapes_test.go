package measure

import (
	"fmt"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
)

// A block of another shape is a fault of the program, and is reported as one: nothing is
// dropped, and nothing is read behind a plane.
func TestMetersRefuseOtherShapes(t *testing.T) {
	loudness, err := NewLoudness(LoudnessSettings{Rate: 48000, Channels: 2})
	if err != nil {
		t.Fatal(err)
	}
	peaks, err := NewTruePeak(48000, 2)
	if err != nil {
		t.Fatal(err)
	}
	overs, err := NewOvers(OverSettings{Rate: 48000, Channels: 2, CeilingDBTP: -1})
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range []interface{ Write(dsp.Block) }{loudness, peaks, overs, NewThirdOctaves(48000, 2)} {
		for says, b := range map[string]dsp.Block{
			"a block of 1 channel;":              dsp.NewBlock(1, 100),
			"a block of 3 channels;":             dsp.NewBlock(3, 100),
			"found 99 frames in channel 2":       {make([]float64, 100), make([]float64, 99)},
			"found 101 frames in channel 2":      {make([]float64, 100), make([]float64, 101)},
			"a block of 0 channels; accepted: 2": {},
			"and 0 in channel 1; accepted: equ":  {nil, make([]float64, 1)},
		} {
			func() {
				defer func() {
					if p := fmt.Sprint(recover()); !strings.Contains(p, says) {
						t.Errorf("%T: %q, want %q", m, p, says)
					}
				}()
				m.Write(b)
			}()
		}
	}
}
