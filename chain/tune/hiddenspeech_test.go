package tune

import (
	"math/rand/v2"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
)

// lowMarginDB is how far below its active level speech counts here.
const lowMarginDB = 21

// lostOf returns the share of the clean speech, down to 21 dB below its active level, that an
// expander lowers by more than 1 dB.
func lostOf(t testing.TB, room takes.Room, s dsp.ExpanderSettings) float64 {
	gain := expanderGain(t, room.Take(), room.Rate, s)
	least := dsp.DBToPower(takes.ActiveLevel(room.Speech, room.Rate) - lowMarginDB)
	lowered, total := 0, 0
	frame := room.Rate / 50
	for from := 0; from+frame <= len(room.Speech); from += frame {
		if p, _ := meanSquareOf(room.Speech[from : from+frame]); p > least {
			for _, g := range gain[from : from+frame] {
				if total++; g < 0.891 {
					lowered++
				}
			}
		}
	}
	return float64(lowered) / float64(max(1, total))
}

// In noise, more of the speech is lowered than is stated, since soft speech hides in it: by no
// more than is stated beside it. Tolerance: 0.3 points, ms at the edges of 20 ms frames.
func TestHiddenSpeechIsWithinItsBound(t *testing.T) {
	voices := []string{takes.SpokenNames, takes.Readings}
	rooms := 3
	if dsptest.IsExhaustive() {
		rooms = 60
	}
	for k := range rooms {
		takes.ForgetNoises()
		rng := rand.New(rand.NewPCG(uint64(k), 778))
		snr := 8 + 24*rng.Float64()
		if k < 3 {
			snr = 9.5
		}
		room := takes.NewRoom(takes.Spoken(t, voices[k%2]), []string{"white", "pink", "room"}[k%3], snr, 0.2, 20, uint64(500+k))
		p := proposed(t, room.Rate, ProposeSettings{PredictOnly: true}, room.Take())
		s, on := expanderOf(t, p)
		if !on {
			continue
		}
		d := p.Takes[0]
		is := lostOf(t, room, s)
		t.Logf("room %d, noise at -%.1f dB: %.2f %% stated, %.2f %% lowered, up to %.0f points hidden", k, snr, 100*d.Lowered, 100*is, 100*d.Hidden)
		if is > d.Lowered+d.Hidden+0.003 {
			t.Errorf("room %d, noise at -%.1f dB: %.2f %% stated and up to %.0f points hidden, %.2f %% lowered", k, snr, 100*d.Lowered, 100*d.Hidden, 100*is)
		}
	}
}
