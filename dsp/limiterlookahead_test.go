package dsp_test

import (
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Without verification the wave between the samples may come over the ceiling on speech
// whose s-sounds reach up to half the rate: by how much depends on the look-ahead in
// frames. These are the figures that the page of the limiter states; what is measured
// lies under them, and over half of the first two, so that they mean something.
func TestLimiterOnSpeechByLookahead(t *testing.T) {
	stated := []struct {
		fromFrames int
		overDB     float64
		worstDB    float64
	}{{16, 0.4, -99}, {24, 0.25, -99}, {132, 0.1, -99}}
	rates, seeds, lookaheads := []int{48000}, 2, []float64{0.5, 3}
	if dsptest.IsExhaustive() {
		rates, seeds, lookaheads = []int{8000, 16000, 44100, 48000, 96000}, 4, []float64{0.5, 1, 1.5, 3, 5}
	}
	for _, rate := range rates {
		for _, ms := range lookaheads {
			s := limiterDefaults()
			s.Recovery, s.LookaheadMs = dsp.FastRecovery, max(ms, 16.01*1000/float64(rate))
			frames := int(s.LookaheadMs * float64(rate) / 1000)
			for seed := range seeds {
				in, err := stimulus.SpeechLike{Seconds: 1, Channels: 1, Seed: uint64(1 + seed)}.Make(rate)
				if err != nil {
					t.Fatal(err)
				}
				for _, s.DriveDB = range []float64{6, 24} {
					out, _ := limited(in, s, rate)
					over := decibels(fine.read(out[0], ceiling*.99, ceiling).peak / ceiling)
					at := 0
					for at+1 < len(stated) && frames >= stated[at+1].fromFrames {
						at++
					}
					if stated[at].worstDB = max(stated[at].worstDB, over); over > stated[at].overDB {
						t.Errorf("%d Hz, %d frames of look-ahead, seed %d, drive %g dB: %+.3f dB, stated is at most %g", rate, frames, 1+seed, s.DriveDB, over, stated[at].overDB)
					}
				}
			}
		}
	}
	for i, x := range stated {
		t.Logf("from %d frames of look-ahead: %+.3f dB", x.fromFrames, x.worstDB)
		if dsptest.IsExhaustive() && i < 2 && x.worstDB < x.overDB/2 {
			t.Errorf("from %d frames of look-ahead: %+.3f dB at most, stated are %g", x.fromFrames, x.worstDB, x.overDB)
		}
	}
}
