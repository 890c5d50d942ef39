package stimulus

import (
	"math"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
)

func makeStress(t *testing.T, s LimiterStress, rate int) dsp.Block {
	t.Helper()
	b, err := s.Make(rate)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func loudest(x []float64) float64 {
	v := 0.0
	for _, s := range x {
		v = max(v, math.Abs(s))
	}
	return v
}

// Every case has the level over the ceiling that its name states, in the samples of its first
// channel, and half of that in the second. (Closed forms: the samples of a sine at 0.45 of the
// rate come within 0.1 dB of its peak in 60 ms; those of fs/4 from 45 degrees stay 3.01 dB
// below it.)
func TestLimiterStressLevels(t *testing.T) {
	for number, over := range map[int]float64{1: 6, 2: 10, 3: 20, 4: 0, 5: 20, 6: 6, 7: 10, 8: 10, 9: 12} {
		for _, rate := range []int{44100, 48000, 96000} {
			for _, ceilingDBTP := range []float64{-1, -9.5} {
				b := makeStress(t, LimiterStress{Case: number, CeilingDBTP: ceilingDBTP}, rate)
				got := 20*math.Log10(loudest(b[0])) - ceilingDBTP
				// Each talker's channel has a little of the other; noise does not reach its
				// full scale.
				low, high := 0.1, 1e-6
				if number == 9 {
					low, high = 1, 2
				}
				if got < over-low || got > over+high {
					t.Errorf("case %d at %d Hz: %.3f dB over the ceiling, want %g", number, rate, got, over)
				}
				if number == 9 {
					continue
				}
				for n, x := range b[0] {
					if b[1][n] != x/2 {
						t.Fatalf("case %d, frame %d: %g and %g, want half", number, n, x, b[1][n])
					}
				}
			}
		}
	}
}

// Bursts follow 200 ms of silence and are named by their place. Sound that is late by less than
// that silence has the name of its burst.
func TestLimiterStressParts(t *testing.T) {
	s := LimiterStress{Case: 1}
	b := makeStress(t, s, 48000)
	if got := loudest(b[0][:9600]); got != 0 {
		t.Errorf("%g in the first 200 ms", got)
	}
	period := 9600 + 2880
	if want := 18*period + 9600; b.Frames() != want {
		t.Fatalf("%d frames, want %d", b.Frames(), want)
	}
	for part, want := range map[int]string{0: "50 Hz from 0 degrees", 1: "50 Hz from 45 degrees", 17: "21600 Hz from 90 degrees"} {
		for _, late := range []int{-100, 0, 2000, 2880 + 9000} {
			if got := s.PartAt(48000, int64(part*period+9600+late)); got != want {
				t.Errorf("%d frames into part %d: %q, want %q", late, part, got, want)
			}
		}
	}
	// The burst begins at its phase: 45 degrees are 1/√2 of 6 dB.
	if got, want := b[0][period+9600], math.Pow(10, 0.3)*math.Sqrt(0.5); math.Abs(got-want) > 1e-12 {
		t.Errorf("the second burst begins at %g, want %g", got, want)
	}
}

// Case 8 is loud from its first frame to its last. In case 6, two runs of k samples meet in a
// pair of equal ones.
func TestLimiterStressEndsAndAlternatingRuns(t *testing.T) {
	b := makeStress(t, LimiterStress{Case: 8}, 48000)
	if first, want := b[0][0], math.Pow(10, 0.5); math.Abs(first-want) > 1e-12 || loudest(b[0][b.Frames()-48:]) < 0.9*want {
		t.Errorf("it begins at %g and ends at %g", first, loudest(b[0][b.Frames()-48:]))
	}
	b = makeStress(t, LimiterStress{Case: 6}, 48000)
	at := 9600 + 2*320 // the third run
	for n, want := range []float64{1, -1, 1, 1, -1, 1, 0, 0} {
		if math.Abs(b[0][at+n]-want) > 1e-12 {
			t.Fatalf("third run, sample %d: %g, want %g", n, b[0][at+n], want)
		}
	}
}

func TestLimiterStressChannels(t *testing.T) {
	for _, channels := range []int{1, 3, 8} {
		for _, s := range LimiterStressSet(-1, channels) {
			b := makeStress(t, s, 8000)
			if len(b) != channels || loudest(b[channels-1]) == 0 || s.Name() == "" {
				t.Errorf("%q: %d channels, want %d with sound", s.Name(), len(b), channels)
			}
			again := makeStress(t, s, 8000)
			for n, x := range b[0] {
				if x != again[0][n] {
					t.Fatalf("%q: frame %d differs at the second call", s.Name(), n)
				}
			}
		}
	}
	for want, s := range map[string]LimiterStress{
		"case": {Case: 10}, "ceiling_dbtp": {Case: 1, CeilingDBTP: math.NaN()}, "channels": {Case: 1, Channels: 99},
	} {
		if _, err := s.Make(48000); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v; want %s to be refused", s, err, want)
		}
	}
	if _, err := (LimiterStress{Case: 1}).Make(100); err == nil {
		t.Error("100 Hz was taken as a rate")
	}
}
