package instrument

import (
	"errors"
	"math"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/measuretest"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// aligned is a recording of a marked signal through a simulated device.
func aligned(t *testing.T, s stimulus.Signal, device func(sound dsp.Block)) (*Alignment, error) {
	t.Helper()
	m := stimulus.Marked{Signal: s, Rate: 48000}
	sound, _, err := m.Make()
	if err != nil {
		t.Fatal(err)
	}
	device(sound)
	return Align(m, Recording{Sound: sound, Rate: 48000, Bits: 24})
}

// finds reports whether any finding contains a phrase.
func finds(findings []measure.Finding, phrase string) bool {
	for _, f := range findings {
		if strings.Contains(f.What, phrase) {
			return true
		}
	}
	return false
}

// Marks follow the level of the stimulus: a quiet one is not clipped by 40 dB of gain, and the
// gain is read.
func TestMarksFollowTheLevel(t *testing.T) {
	for _, peakDBFS := range []float64{-20, -45, -60} {
		gain := dsp.DBToAmplitude(-1 - peakDBFS)
		a, err := aligned(t, stimulus.Tone{Hz: 997, PeakDBFS: peakDBFS, Seconds: 1}, func(b dsp.Block) {
			for n, v := range b[0] {
				b[0][n] = max(-1, min(1, v*gain))
			}
		})
		if err != nil {
			t.Errorf("%g dBFS: %v", peakDBFS, err)
			continue
		}
		if got, _ := a.Readings.Get("gain_db"); math.Abs(got.Value-(-1-peakDBFS)) > 0.01 {
			t.Errorf("%g dBFS: gain_db is %s, want %g", peakDBFS, got, -1-peakDBFS)
		}
	}
}

// Swapped channels void a recording. A mono stimulus may be recorded in any number of channels.
func TestSwappedChannelsAreVoid(t *testing.T) {
	tone := stimulus.Tone{Hz: 997, PeakDBFS: -20, Seconds: 1, Channels: 2, Only: 1}
	_, err := aligned(t, tone, func(b dsp.Block) { b[0], b[1] = b[1], b[0] })
	if void := (*VoidError)(nil); !errors.As(err, &void) || void.Why != Swapped || !strings.Contains(err.Error(), "holds channel 2") {
		t.Errorf("%v, want a recording that is void for its swapped channels", err)
	}
	if _, err := aligned(t, tone, func(dsp.Block) {}); err != nil {
		t.Errorf("as played: %v", err)
	}
	m := stimulus.Marked{Signal: stimulus.Tone{Hz: 997, PeakDBFS: -20, Seconds: 1}, Rate: 48000}
	sound, _, err := m.Make()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Align(m, Recording{Sound: dsp.Block{sound[0], sound[0]}, Rate: 48000}); err != nil {
		t.Errorf("one channel recorded twice: %v", err)
	}
}

// Automatic gain is detected: the marks before and after the signal differ, or the tone has
// another gain than the marks. A fixed gain has neither finding.
func TestAutomaticGainIsReported(t *testing.T) {
	tone := stimulus.Tone{Hz: 997, PeakDBFS: -20, Seconds: 2}
	scaled := func(x []float64, db float64) {
		for n := range x {
			x[n] *= dsp.DBToAmplitude(db)
		}
	}
	layout := stimulus.LayoutOf(48000, 96000)
	for _, c := range []struct {
		name, phrase string
		device       func(b dsp.Block)
	}{
		{"fixed", "", func(b dsp.Block) { scaled(b[0], 3) }},
		{"slow", "the gain changed by -4", func(b dsp.Block) {
			for n := range b[0] {
				scaled(b[0][n:n+1], -4*min(1, max(0, float64(n-layout.Signal)/float64(layout.EndMark-layout.Signal))))
			}
		}},
		{"quick", "the gain is -3.5 dB for the tone and +3.0 dB for the marks around it", func(b dsp.Block) {
			scaled(b[0], 3)
			scaled(b[0][layout.Signal:layout.SignalEnd], -6.5)
		}},
	} {
		a, err := aligned(t, tone, c.device)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if _, err := a.Read(tone); err != nil {
			t.Fatal(err)
		}
		if c.phrase == "" && finds(a.Findings, "gain") || c.phrase != "" && !finds(a.Findings, c.phrase) {
			t.Errorf("%s: found %v, want %q", c.name, a.Findings, c.phrase)
		}
	}
}

// The delay that is left after a recording is aligned has a name of its own: correlation_delay
// is the whole delay of a device that is run.
func TestRemainingDelayHasItsOwnName(t *testing.T) {
	sweep := stimulus.Sweep{FromHz: 20, ToHz: 20000, Seconds: 1, PeakDBFS: -20}
	a, err := aligned(t, sweep, func(b dsp.Block) {
		copy(b[0][100:], b[0])
	})
	if err != nil {
		t.Fatal(err)
	}
	readings, err := a.Read(sweep)
	if err != nil {
		t.Fatal(err)
	}
	measuretest.WantReading(t, readings, "remaining_delay_frames", 0, 0.01) // the interpolator's ripple
	if _, has := readings.Get("correlation_delay_frames"); has {
		t.Error("a recording has correlation_delay_frames")
	}
}

// A path that shifts all phases by 90 degrees (a Hilbert transformer: Oppenheim and Schafer,
// "Discrete-Time Signal Processing", from memory) has no polarity. The fit of its marks is
// below its gain, but that is not reported as a gain that follows the level.
func TestPhaseShiftOf90DegreesHasNoPolarity(t *testing.T) {
	const half = 401
	var taps [2*half + 1]float64 // of a Hilbert transformer, every other one
	for k := -half; k <= half; k += 2 {
		taps[k+half] = 2 / (math.Pi * float64(k)) * (0.5 + 0.5*math.Cos(math.Pi*float64(k)/(half+1)))
	}
	turn := func(b dsp.Block) {
		for c, x := range b {
			y := make([]float64, len(x))
			for n, v := range x {
				if v == 0 {
					continue
				}
				for k := 0; k < min(len(taps), len(y)-n); k += 2 {
					y[n+k] += v * taps[k]
				}
			}
			b[c] = y
		}
	}
	tone := stimulus.Tone{Hz: 997, PeakDBFS: -20, Seconds: 1.5}
	a, err := aligned(t, tone, turn)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := a.Read(tone); err != nil {
		t.Fatal(err)
	}
	measuretest.WantReason(t, a.Readings, "polarity", "turns the phase")
	measuretest.WantReading(t, a.Readings, "drift_ppm", 0, 1) // 39 if one mark is placed by its maximum and the other by its minimum
	if finds(a.Findings, "polarity") || finds(a.Findings, "gain") {
		t.Errorf("found %v", a.Findings)
	}
	impulse := stimulus.StandardImpulse(-20)
	measuretest.WantReason(t, run(t, bench(func(_ int, b dsp.Block) { turn(b) }), Latency{Impulse: impulse}, 48000), "polarity", "turns the phase")
}

// A click in a recording of rising levels does not count as the path's headroom.
func TestClickDoesNotChangeTheHeadroom(t *testing.T) {
	series := stimulus.ToneSeries{Hz: 997, FromDBFS: -12, ToDBFS: -6, StepDB: 2, StepSeconds: 0.5}
	m := stimulus.Marked{Signal: series, Rate: 48000}
	sound, _, err := m.Make()
	if err != nil {
		t.Fatal(err)
	}
	x := sound[0]
	addNoise(x, -100, 1)
	for n := range 200 { // 4 ms, in the quietest step
		x[len(x)/3+n] = 0.95
	}
	a, err := Align(m, Recording{Sound: dsp.Block{x}, Rate: 48000, Bits: 24})
	if err != nil {
		t.Fatal(err)
	}
	readings, err := a.Read(series)
	if err != nil {
		t.Fatal(err)
	}
	measuretest.WantReading(t, readings, "converter_headroom_db", 6, 0.01) // the noise's largest sample
}
