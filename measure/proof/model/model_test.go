package model

import (
	"context"
	"math"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/chain"
	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/wave"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// The model and the engine share no arithmetic. Equal outputs for speech, to the rounding of
// 64 bits, show that both do what the settings mean. A limiter's model leaves out what only
// lowers single peaks.
func TestAgainstEngine(t *testing.T) {
	for _, text := range []string{
		`kind = "highpass"; slope_db_per_octave = 18`,
		`kind = "equaliser"; design = "cookbook"; [[stage.band]]; shape = "bell"; centre_hz = 3000; gain_db = 4; q = 1; [[stage.band]]; shape = "high-shelf"; centre_hz = 5000; gain_db = -4; [[stage.band]]; shape = "low-shelf"; centre_hz = 200; gain_db = -4; [[stage.band]]; shape = "notch"; centre_hz = 2000; q = 3`,
		`kind = "compressor"; threshold_dbfs = -24`,
		`kind = "compressor"; threshold_dbfs = -30; hold_ms = 40; sidechain_highpass_hz = 100; lookahead_ms = 2; makeup_db = 3`,
		`kind = "compressor"; threshold_dbfs = -30; detector = "rms"; link_channels = false; detector_window_ms = 3`,
		`kind = "compressor"; threshold_dbfs = -30; detector = "rms"; link_channels = false; hold_ms = 30`,
		`kind = "expander"; threshold_dbfs = -45`,
		`kind = "expander"; threshold_dbfs = -30; detector = "peak"; knee_db = 6; ratio = 4`,
		`kind = "de-esser"`,
		`kind = "de-esser"; link_channels = false; q = 3; attack_ms = 4`,
		`kind = "limiter"; ceiling_dbtp = -12; verify = false`,
		`kind = "limiter"; ceiling_dbtp = -12`,
		`kind = "limiter"; ceiling_dbtp = -3; drive_db = 12; lookahead_ms = 1; link_channels = false`,
	} {
		c, err := chain.Parse("test", []byte("schema = 1\n[[stage]]\n"+strings.ReplaceAll(text, "; ", "\n")))
		if err != nil {
			t.Fatal(err)
		}
		rates := []int{48000, 44100, 8000, 96000}
		if !dsptest.IsExhaustive() {
			rates = []int{22050}
		}
		for _, rate := range rates {
			if c.Check(rate, 2) != nil {
				continue // a band over half the rate
			}
			in, err := stimulus.SpeechLike{PeakDBFS: -6, Seconds: 4, Channels: 2, Seed: 1}.Make(rate)
			if err != nil {
				t.Fatal(err)
			}
			out := wave.NewMemory(wave.Unquantised(rate, 2), dsp.NewBlock(2, 0))
			if err := c.Respond(context.Background(), wave.NewMemory(wave.Unquantised(rate, 2), in), out); err != nil {
				t.Fatal(err)
			}
			m, err := Chain{[]any{c.Stages[0].Settings}}.Run(rate, in)
			if err != nil {
				t.Fatal(err)
			}
			if got, want := out.Frames(), int64(m.Sound.Frames()); got != want {
				t.Errorf("%d Hz, %s: %d frames, the model has %d", rate, text, got, want)
				continue
			}
			sum, power := 0.0, 0.0
			for ch := range in {
				for n, v := range out.Planes()[ch] {
					sum += (v - m.Sound[ch][n]) * (v - m.Sound[ch][n])
					power += v * v
				}
			}
			most := -200.0
			if strings.Contains(text, "limiter") {
				most = -35
			}
			if db := 10 * math.Log10(sum/power); !(db <= most) {
				t.Errorf("%d Hz, %s: the difference is %.1f dB, want at most %g", rate, text, db, most)
			}
		}
	}
}
