package tune

import (
	"math"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest/takes"
)

// The lowest pitch is the voice's, also over hum that fills the pauses. For these
// recordings an independent implementation of YIN (de Cheveigné and Kawahara, JASA 111(4)
// 2002, 1917) read a 5th percentile of 75 and 163 Hz in frames as loud; a step of the lag
// at 4 kHz is 2 and 7 Hz there, and the takes are put together from other phrases.
func TestLowestPitch(t *testing.T) {
	for _, c := range []struct {
		voice       string
		least, most float64
	}{{takes.Readings, 65, 90}, {takes.SpokenNames, 145, 180}} {
		room := takes.NewRoom(takes.Spoken(t, c.voice), "pink", 30, 0.25, 20, 3)
		x := room.Take()
		for n := range x {
			x[n] += 0.003 * math.Sin(2*math.Pi*60*float64(n)/float64(room.Rate))
		}
		if hz, seconds := analysed(t, room.Rate, x).pitch.lowest(); hz < c.least || hz > c.most || seconds < leastVoicedSeconds {
			t.Errorf("%s: %g Hz of %g s, want %g to %g Hz", c.voice, hz, seconds, c.least, c.most)
		}
	}
	// An offset is no voice, though nothing is as periodic.
	offset := make([]float64, 5*48000)
	for n := range offset {
		offset[n] = 0.1
	}
	if hz, seconds := analysed(t, 48000, offset).pitch.lowest(); seconds > 0.5 {
		t.Errorf("an offset: %g Hz of %g s", hz, seconds)
	}
}
