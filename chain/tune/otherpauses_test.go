package tune

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
)

// plucked is sparse plucked notes, whose decays look like pauses, at an active level in dBFS.
func plucked(frames, rate int, dbfs float64, rng *rand.Rand) []float64 {
	x := make([]float64, frames)
	every := []float64{0.4, 0.8, 1.5, 3}[rng.IntN(4)]
	for at := 0; at < frames; at += int(every * (0.5 + rng.Float64()) * float64(rate)) {
		hz, decay := 110*math.Pow(2, float64(rng.IntN(30))/12), 1+3*rng.Float64()
		for n := range min(4*rate, frames-at) {
			t := float64(n) / float64(rate)
			for k := 1.0; k <= 6 && hz*k < 0.45*float64(rate); k++ {
				x[at+n] += math.Exp(-t*(decay+k)) * math.Sin(2*math.Pi*hz*k*t) / k
			}
		}
	}
	gain := dsp.DBToAmplitude(dbfs - takes.ActiveLevel(x, rate))
	for n := range x {
		x[n] *= gain
	}
	return x
}

// reverberated is the reverberation of a sound alone: decaying noise of this many seconds to
// −60 dB, with its energy at so many dB relative to the sound.
func reverberated(x []float64, rate int, seconds, db float64, rng *rand.Rand) []float64 {
	length := 1
	for length < len(x)+int(seconds*float64(rate)) {
		length *= 2
	}
	response, padded := make([]float64, length), make([]float64, length)
	energy := 0.0
	for n := range int(seconds * float64(rate)) {
		response[n] = rng.NormFloat64() * math.Pow(10, -3*float64(n)/seconds/float64(rate))
		energy += response[n] * response[n]
	}
	copy(padded, x)
	fft := fourier.NewFFT(length)
	a, b := fft.Coefficients(nil, padded), fft.Coefficients(nil, response)
	for k := range a {
		a[k] *= b[k] * complex(dsp.DBToAmplitude(db)/math.Sqrt(energy)/float64(length), 0)
	}
	return fft.Sequence(nil, a)[:len(x)]
}

// otherPauses adds to a room what may be taken for pauses or for noise: plucked notes 20 to 40
// dB under the speech, 3 s of reverberation, or hum below 150 Hz that is switched on and off.
func otherPauses(room takes.Room, kind int, rng *rand.Rand) (x []float64, what string) {
	x = room.Take()
	switch kind {
	case 0:
		under := 20 + 20*rng.Float64()
		takes.Add(x, plucked(len(x), room.Rate, room.SpeechDBFS-under, rng), 0)
		what = fmt.Sprintf("plucked notes %.0f dB under the speech", under)
	case 1:
		wet := -15 + 12*rng.Float64()
		takes.Add(x, reverberated(room.Speech, room.Rate, 3, wet, rng), 0)
		what = fmt.Sprintf("reverberation of %.0f dB", wet)
	case 2:
		hz, under := []float64{50, 60, 100, 120}[rng.IntN(4)], 20+20*rng.Float64()
		period, share := 2+8*rng.Float64(), 0.3+0.4*rng.Float64()
		a := math.Sqrt2 * dsp.DBToAmplitude(room.SpeechDBFS-under)
		for n := range x {
			if t := float64(n) / float64(room.Rate); math.Mod(t, period) < share*period {
				x[n] += a * (math.Sin(2*math.Pi*hz*t) + 0.3*math.Sin(4*math.Pi*hz*t))
			}
		}
		what = fmt.Sprintf("hum of %g Hz %.0f dB under the speech, on for %.0f %% of every %.1f s", hz, under, 100*share, period)
	}
	return x, what
}

// What may be taken for pauses or for noise does the speech no harm, or the expander is off with
// a reason: at most 2 % of the speech that is audible over the steady noise is lowered by more
// than 1 dB, and 0.05 dB of its energy is lost (the limits of TestProposedExpanderSparesSpeech).
// With a threshold 6 dB over the mean power of all pauses, one take in six misses these limits.
func TestWhatSoundsLikePausesDoesNoHarm(t *testing.T) {
	first, cases := 24, 3
	if dsptest.IsExhaustive() {
		first, cases = 0, 36
	}
	off, harmedByMean := 0, 0
	for i := first; i < first+cases; i++ {
		takes.ForgetNoises()
		rng := rand.New(rand.NewPCG(uint64(i), 9001))
		voice := takes.Spoken(t, []string{takes.Readings, takes.SpokenNames, "/usr/share/pocketsphinx/test/data/cards/*.wav"}[i/3%3])
		room := takes.NewRoom(voice, []string{"white", "pink", "room"}[rng.IntN(3)], 35+20*rng.Float64(), 0.25, 20, uint64(9000+i))
		x, what := otherPauses(room, i%3, rng)
		p := proposed(t, room.Rate, ProposeSettings{PredictOnly: true}, x)
		s, on := expanderOf(t, p)
		y := soundAhead(t, p.Chain, "expander", room.Rate, x)
		byMean := s
		noisy := room
		noisy.Noise = make([]float64, len(x))
		for n := range x {
			noisy.Noise[n] = x[n] - room.Speech[n]
		}
		byMean.ThresholdDBFS = meanOfPauses(noisy, x)
		if h := harmOf(t, room, y, byMean); h.lowered > 0.02 || h.lost > 0.05 {
			harmedByMean++
		}
		if !on {
			if off++; p.Off()["expander"] == "" {
				t.Errorf("take %d, %s: off without a reason", i, what)
			}
			continue
		}
		h := harmOf(t, room, y, s)
		t.Logf("take %d, %s: threshold %.1f dBFS (by the mean %.1f), range %.1f dB: %.2f %% of the speech lowered, %.4f dB lost", i, what, s.ThresholdDBFS, byMean.ThresholdDBFS, s.RangeDB, 100*h.lowered, h.lost)
		if h.lowered > 0.02 || h.lost > 0.05 {
			t.Errorf("take %d, %s: %.1f %% of the speech is lowered, %.3f dB lost", i, what, 100*h.lowered, h.lost)
		}
	}
	t.Logf("%d of %d are off; by the mean of the pauses %d are harmed", off, cases, harmedByMean)
	if 6*harmedByMean < cases {
		t.Errorf("by the mean of the pauses %d of %d takes are harmed: this tests nothing", harmedByMean, cases)
	}
	if 2*off > cases {
		t.Errorf("%d of %d are off: this tests little", off, cases)
	}
}
