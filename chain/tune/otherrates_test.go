package tune

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
)

// resampled changes the rate of a sound by its Fourier transform, and keeps what lies below a
// limit in Hz, with a smooth edge.
func resampled(x []float64, from, to int, limit float64) []float64 {
	n := len(x) / 2 * 2
	m := 2 * int(math.Round(float64(n)*float64(to)/float64(from)/2))
	c := fourier.NewFFT(n).Coefficients(nil, x[:n])
	kept := make([]complex128, m/2+1)
	for k := range min(len(kept), len(c)) - 1 {
		switch edge := float64(k) * float64(from) / float64(n) / limit; {
		case edge < 0.95:
			kept[k] = c[k] / complex(float64(n), 0)
		case edge < 1:
			kept[k] = c[k] * complex(math.Pow(math.Cos(10*math.Pi*(edge-0.95)), 2)/float64(n), 0)
		}
	}
	return fourier.NewFFT(m).Sequence(nil, kept)
}

// The same sound at another rate, odd ones included, has the same proposal as at 48 kHz, as far as
// the rate holds its band: the expander's threshold within 0.3 dB, its range within 1.5 dB, the
// compressor's threshold within 0.5 dB, the high-pass within its step, and the same two floors,
// within 1 dB, where a fan is switched on half way. (In 4 rooms the thresholds differ by 0.1 dB
// at most. A range may follow a single phrase that is just cut, or just not.)
func TestProposalAtOddRates(t *testing.T) {
	rooms := []uint64{1}
	wide, narrow := []int{44056}, []int{11025}
	if dsptest.IsExhaustive() {
		rooms = []uint64{0, 1, 2, 3, 4, 5}
		wide, narrow = []int{44056, 44100, 50001, 96000, 192000}, []int{8000, 9001, 11025, 16000, 44056}
	}
	limits := map[string]float64{"expander.threshold_dbfs": 0.3, "expander.range_db": 1.5, "compressor.threshold_dbfs": 0.5, "highpass.corner_hz": 5}
	for _, seed := range rooms {
		takes.ForgetNoises()
		rng := rand.New(rand.NewPCG(seed, 9002))
		room := takes.NewRoom(takes.Spoken(t, takes.SpokenNames), []string{"white", "pink", "room"}[rng.IntN(3)], 20+15*rng.Float64(), 0.25, 24, 9300+seed)
		fan := seed%2 == 1
		if fan {
			noise := takes.RoomNoise("pink", len(room.Noise), room.Rate, room.SpeechDBFS-25, 9400+seed)
			takes.Add(room.Noise, noise[:len(noise)/2], len(noise)/2)
		}
		x := room.Take()
		for _, band := range []struct {
			hz    float64
			rates []int
		}{{20000, wide}, {3800, narrow}} {
			var want *ProposedChain
			var wantFloors [2]float64
			for _, rate := range append([]int{48000}, band.rates...) {
				p := proposed(t, rate, ProposeSettings{PredictOnly: true}, resampled(x, room.Rate, rate, band.hz))
				var floors [2]float64
				for _, note := range p.Notes {
					fmt.Sscanf(note, "take has two noise floors, %f dBFS and %f dBFS", &floors[0], &floors[1])
				}
				if want == nil {
					want, wantFloors = p, floors
					if fan != strings.Contains(strings.Join(p.Notes, " "), "two noise floors") {
						t.Errorf("room %d: a fan: %t; notes %q", seed, fan, p.Notes)
					}
					continue
				}
				for key, limit := range limits {
					if is, at48 := chosen(t, p, key), chosen(t, want, key); math.Abs(is-at48) > limit+1e-9 {
						t.Errorf("room %d up to %g Hz: at %d Hz %s is %g, at 48 kHz %g", seed, band.hz, rate, key, is, at48)
					}
				}
				if math.Abs(floors[0]-wantFloors[0]) > 1 || math.Abs(floors[1]-wantFloors[1]) > 1 {
					t.Errorf("room %d up to %g Hz: at %d Hz floors %g, at 48 kHz %g", seed, band.hz, rate, floors, wantFloors)
				}
				_, on := expanderOf(t, p)
				if _, was := expanderOf(t, want); on != was {
					t.Errorf("room %d up to %g Hz: at %d Hz the expander is on: %t; at 48 kHz %t", seed, band.hz, rate, on, was)
				}
			}
		}
	}
}
