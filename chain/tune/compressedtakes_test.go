package tune

import (
	"fmt"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
)

// The compressor proposed for readings has at least 1.5 dB of median reduction; 1.5, since one
// of the readings has a small range by itself. Readings that a compressor has processed get no
// further compression. Spoken commands of a few words, whose range a compressor reduces less,
// get less than before. Breaths in all pauses change neither result.
func TestCompressedTakesAreNotCompressedAgain(t *testing.T) {
	voices, seeds := []string{takes.Readings}, []uint64{1}
	if dsptest.IsExhaustive() {
		voices, seeds = append(voices, "/usr/share/pocketsphinx/test/data/cards/*.wav"), []uint64{1, 2, 3}
	}
	for _, voice := range voices {
		for _, seed := range seeds {
			takes.ForgetNoises()
			room := takes.NewRoom(takes.Spoken(t, voice), "pink", 32, 0.25, 32, 580+seed)
			for _, x := range [][]float64{room.Take(), inPauses(room, "breath", room.SpeechDBFS-32)} {
				median := func() (db float64) {
					p := proposed(t, room.Rate, ProposeSettings{PredictOnly: true}, x)
					if _, off := p.Off()["compressor"]; off {
						return 0
					}
					for _, c := range p.Choices {
						if c.Stage == "compressor" && c.Key == "threshold_dbfs" {
							fmt.Sscanf(c.Rule, "%f dB of median", &db)
						}
					}
					return db
				}
				before := median()
				if before < 1.5 {
					t.Errorf("%s, seed %d: %.1f dB", voice, seed, before)
				}
				lu, _ := analysed(t, room.Rate, x).momentaryRange()
				c, err := dsp.NewCompressor(dsp.CompressorSettings{
					ThresholdDBFS: room.SpeechDBFS - 8, Ratio: 4, KneeDB: 6, AttackMs: 5, ReleaseMs: 100, Detector: dsp.Peak, DetectorWindowMs: 10, LinkChannels: true,
				}, room.Rate, 1)
				if err != nil {
					t.Fatal(err)
				}
				c.Process(dsp.Block{x})
				if m := median(); m >= before || voice == takes.Readings && m > 0 {
					t.Errorf("%s, seed %d, compressed before: %.1f dB", voice, seed, m)
				}
				after, _ := analysed(t, room.Rate, x).momentaryRange()
				t.Logf("%s, seed %d: %.1f LU, compressed %.1f LU", voice, seed, lu, after)
			}
		}
	}
}
