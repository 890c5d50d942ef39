package chain

import (
	"context"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/wave"
)

// respond puts sound at 48 kHz through a chain as a device.
func respond(t *testing.T, text string, sound dsp.Block) (dsp.Block, error) {
	t.Helper()
	c, err := Parse("test.toml", []byte("schema = 1\n"+text))
	if err != nil {
		t.Fatal(err)
	}
	format := wave.Unquantised(48000, len(sound))
	response := wave.NewMemory(format, make(dsp.Block, len(sound)))
	err = c.Respond(context.Background(), wave.NewMemory(format, sound), response)
	return response.Planes(), err
}

// A chain as a device keeps its delay: an impulse, which is under all thresholds,
// comes back as late as the stages' latencies add up to, and the response is as
// much longer.
func TestRespondKeepsTheDelay(t *testing.T) {
	limiter := "[[stage]]\nkind = \"limiter\"\nceiling_dbtp = -1\n"
	for text, want := range map[string]int{
		"": 0,
		limiter + "lookahead_ms = 3\nverify = false\n":                                    144, // 3 ms at 48 kHz
		limiter + "lookahead_ms = 3\n":                                                    144 + 511,
		limiter + "lookahead_ms = 1\nverify = false\n" + limiter + "lookahead_ms = 2.5\n": 48 + 120 + 511,
	} {
		for _, frames := range []int{1000, 70000} { // one block and several
			sound := dsp.NewBlock(2, frames)
			sound[0][frames-1], sound[1][500] = 0.5, -0.25
			got, err := respond(t, text, sound)
			if err != nil {
				t.Fatal(err)
			}
			if got.Frames() != frames+want {
				t.Fatalf("%q: %d frames of %d, want %d more", text, got.Frames(), frames, want)
			}
			for c := range sound {
				for n, v := range got[c] {
					x := 0.0
					if n >= want {
						x = sound[c][n-want]
					}
					if v != x {
						t.Fatalf("%q, channel %d, frame %d: %g, want %g: the stimulus %d frames later", text, c+1, n, v, x, want)
					}
				}
			}
		}
	}
}

// What the chain cannot be built for is said, and nothing comes back.
func TestRespondRefuses(t *testing.T) {
	got, err := respond(t, "[[stage]]\nkind = \"gain\"\ngain_db = 3\nchannels = [3]\n", dsp.NewBlock(2, 10))
	if err == nil || !strings.Contains(err.Error(), "channel") || got.Frames() > 0 {
		t.Errorf("%d frames, %v; want that there is no channel 3", got.Frames(), err)
	}
}
