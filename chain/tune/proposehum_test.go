package tune

import (
	"math"
	"testing"

	"github.com/boothbench/boothbench/dsp/dsptest/takes"
)

// The notches are ahead of the expander, so hum that they remove does not raise its threshold.
// Tolerance 0.7 dB: a notch 4 Hz wide also removes some noise, and the noise is read in
// different pauses with hum and without.
func TestHumDoesNotRaiseTheThreshold(t *testing.T) {
	room := takes.NewRoom(takes.Spoken(t, takes.Readings), "pink", 28, 0.25, 20, 3)
	without := proposed(t, room.Rate, ProposeSettings{}, room.Take())
	plain, on := expanderOf(t, without)
	if !on {
		t.Fatal("the expander is off without hum")
	}
	x := room.Take()
	for n := range x {
		for hz, db := range map[float64]float64{50: plain.ThresholdDBFS, 100: plain.ThresholdDBFS - 6, 150: plain.ThresholdDBFS} {
			x[n] += math.Sqrt2 * math.Pow(10, db/20) * math.Sin(2*math.Pi*hz*float64(n)/float64(room.Rate))
		}
	}
	p := proposed(t, room.Rate, ProposeSettings{}, x)
	hummed, on := expanderOf(t, p)
	t.Logf("threshold %.1f dBFS without hum, %.1f with it", plain.ThresholdDBFS, hummed.ThresholdDBFS)
	if !on || math.Abs(hummed.ThresholdDBFS-plain.ThresholdDBFS) > 0.7 {
		t.Errorf("threshold %.1f dBFS without hum; %.1f with it, on %t:\n%s", plain.ThresholdDBFS, hummed.ThresholdDBFS, on, p.Text)
	}
	if d, was := p.Takes[0], without.Takes[0]; d.StartsCut > was.StartsCut || d.EndsCut > was.EndsCut {
		t.Errorf("%d starts and %d ends are cut, %d and %d without hum", d.StartsCut, d.EndsCut, was.StartsCut, was.EndsCut)
	}
}
