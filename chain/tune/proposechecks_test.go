package tune

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
)

// atRate resamples a sound to a higher rate by its Fourier transform.
func atRate(x []float64, from, to int) []float64 {
	n := len(x) / 2 * 2
	m := n * to / from
	c := fourier.NewFFT(n).Coefficients(nil, x[:n])
	wide := make([]complex128, m/2+1)
	copy(wide, c[:n/2])
	y := fourier.NewFFT(m).Sequence(nil, wide)
	for i := range y {
		y[i] /= float64(n)
	}
	return y
}

// The same take at another rate has the same proposal, with thresholds within 0.3 dB. The
// difference comes from detector windows of whole frames and from the edges of milliseconds.
func TestProposalAtOtherRates(t *testing.T) {
	room := takes.NewRoom(takes.Spoken(t, takes.Readings), "pink", 22, 0.2, 15, 3)
	x := room.Take()
	reference := proposed(t, room.Rate, ProposeSettings{PredictOnly: true}, x)
	rates := []int{48000}
	if dsptest.IsExhaustive() {
		rates = []int{44100, 48000, 96000}
	}
	for _, rate := range rates {
		p := proposed(t, rate, ProposeSettings{PredictOnly: true}, atRate(x, room.Rate, rate))
		for _, key := range []string{"expander.threshold_dbfs", "compressor.threshold_dbfs", "highpass.corner_hz"} {
			within := 0.3
			if key == "highpass.corner_hz" {
				within = 5 // its step
			}
			if got, want := chosen(t, p, key), chosen(t, reference, key); math.Abs(got-want) > within {
				t.Errorf("%d Hz: %s is %g, at %d Hz %g", rate, key, got, room.Rate, want)
			}
		}
	}
}

func chosen(t testing.TB, p *ProposedChain, key string) float64 {
	t.Helper()
	for _, c := range p.Choices {
		if c.Stage+"."+c.Key == key {
			return mustFloat(c.Value)
		}
	}
	t.Fatal("nothing chosen for " + key)
	return 0
}

// A take processed by its own proposed chain gets no higher threshold, except for the limiter's
// drive.
func TestProposalOfItsOwnOutput(t *testing.T) {
	room := takes.NewRoom(takes.Spoken(t, takes.Readings), "pink", 22, 0.2, 15, 3)
	first := proposed(t, room.Rate, ProposeSettings{PredictOnly: true}, room.Take())
	e, err := first.Chain.Prepare(room.Rate, 1)
	if err != nil {
		t.Fatal(err)
	}
	out, err := e.ProcessPlanes(t.Context(), [][]float64{room.Take()})
	if err != nil {
		t.Fatal(err)
	}
	second := proposed(t, room.Rate, ProposeSettings{PredictOnly: true}, out[0])
	// A compressor is proposed where the momentary loudness still spans 2.8 LU.
	lu, _ := analysed(t, room.Rate, out[0]).momentaryRange()
	if _, off := second.Off()["compressor"]; off != (lu < 2.83) {
		t.Errorf("momentary loudness spans %.1f LU; compressor off: %t", lu, off)
	}
	before, _ := expanderOf(t, first)
	after, on := expanderOf(t, second)
	if rise := after.ThresholdDBFS - before.ThresholdDBFS - first.drive(); on && rise > 1 {
		t.Errorf("the threshold rises by %.1f dB", rise)
	}
}

// No disturbance in a recording of the room alone moves the threshold by more than 0.5 dB.
func TestDisturbancesInARoomRecordingDoNotMoveTheThreshold(t *testing.T) {
	dsptest.Exhaustive(t)
	room := takes.NewRoom(takes.Spoken(t, takes.Readings), "pink", 20, 0.2, 20, 5)
	rng := rand.New(rand.NewPCG(5, 5))
	noise := takes.BandLevel(room.Noise, room.Rate, 80, 20000)
	moved := func(what string, clean, x []float64) {
		t.Helper()
		if shift := analysed(t, room.Rate, x).threshold() - analysed(t, room.Rate, clean).threshold(); !(math.Abs(shift) <= 0.5) {
			t.Errorf("%s: the threshold moves by %.2f dB", what, shift)
		}
	}
	tone := room.Noise[:12*room.Rate]
	kinds := takes.Disturbances
	if !dsptest.IsExhaustive() {
		kinds = kinds[:1]
	}
	for _, kind := range kinds {
		x := append([]float64{}, tone...)
		takes.Add(x, takes.Disturbance(kind, room.Rate, noise+20, rng.Uint64()), 3*room.Rate)
		moved("room tone, "+kind, tone, x)
	}
	x := append([]float64{}, tone...)
	x[5*room.Rate] = 0.5
	moved("room tone, a click", tone, x)
}

// The take has two voices 12 dB apart. The threshold is that of the noise, the softer voice is
// not attenuated, and both levels are noted.
func TestProposalForTwoLevels(t *testing.T) {
	dsptest.Exhaustive(t)
	p := takes.Spoken(t, takes.Readings)
	room := takes.NewRoom(p, "pink", 36, 0.2, 40, 9)
	for n := len(room.Speech) / 2; n < len(room.Speech); n++ {
		room.Speech[n] *= dsp.DBToAmplitude(-12)
	}
	x := room.Take()
	proposal := proposed(t, room.Rate, ProposeSettings{PredictOnly: true}, x)
	if got, want := analysed(t, room.Rate, x).threshold(), analysed(t, room.Rate, room.Noise).threshold(); math.Abs(got-want) > 0.5 {
		t.Errorf("threshold %.2f dBFS, by the noise alone %.2f", got, want)
	}
	soft := room
	soft.Speech, soft.Noise = room.Speech[len(x)/2:], room.Noise[len(x)/2:]
	soft.Pauses = nil
	if e, on := expanderOf(t, proposal); on {
		if h := harmOf(t, soft, soft.Take(), e); h.lowered > 0.01 {
			t.Errorf("%.1f %% of the softer voice is lowered", 100*h.lowered)
		}
	}
	// The noted levels are accurate to 1 dB, and the threshold is not between them.
	var low, high float64
	for _, note := range proposal.Notes {
		fmt.Sscanf(note, "take holds speech at two levels, %f and %f dBFS", &low, &high)
	}
	loud := takes.ActiveLevel(room.Speech[:len(x)/2], room.Rate)
	if math.Abs(high-loud) > 1 || math.Abs(low-loud+12) > 1 {
		t.Errorf("planted %.1f and %.1f dBFS: notes %q", loud-12, loud, proposal.Notes)
	}
	if e, _ := expanderOf(t, proposal); e.ThresholdDBFS > low {
		t.Errorf("the threshold, %.1f dBFS, lies over the softer voice, %.1f", e.ThresholdDBFS, low)
	}
}

// The take has clips separated by exact zeros. The zeros are edits, not a noise floor.
func TestProposalForClipsBetweenZeros(t *testing.T) {
	clips, rate := takes.Recorded(t, takes.SpokenNames)
	var x []float64
	for _, c := range clips {
		x = append(append(x, c...), make([]float64, rate/2)...)
	}
	p := proposed(t, rate, ProposeSettings{}, x)
	if _, on := expanderOf(t, p); on {
		t.Errorf("the expander is on: %q", p.Off())
	}
	if strings.Contains(string(p.Text), "Inf") || strings.Contains(string(p.Text), "NaN") {
		t.Errorf("%s", p.Text)
	}
}
