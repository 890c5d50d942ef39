package instrument

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// A break in a tone is a finding with its place. Noise, hum, distortion, a constant offset and
// a low or high frequency are none.
func TestDropoutsClicksAndClippingOfATone(t *testing.T) {
	const level = 0.1
	layout := stimulus.LayoutOf(48000, 3*48000)
	at := func(seconds float64) int { return layout.Signal + int(seconds*48000) }
	random := rand.New(rand.NewPCG(3, 3))
	noise := func(b dsp.Block, rms float64) {
		for n := range b[0] {
			b[0][n] += rms * random.NormFloat64()
		}
	}
	for _, c := range []struct {
		name, phrase string
		hz           float64
		device       func(b dsp.Block)
	}{
		{"as played", "", 997, func(dsp.Block) {}},
		{"as played, 1 kHz", "", 1000, func(dsp.Block) {}},
		{"as played, 1.19 kHz", "", 1190, func(dsp.Block) {}},
		{"as played, low", "", 40, func(dsp.Block) {}},
		{"as played, high", "", 12000, func(dsp.Block) {}},
		{"noise 40 dB under the tone", "", 997, func(b dsp.Block) { noise(b, level/100) }},
		{"hum", "", 997, func(b dsp.Block) {
			for n := range b[0] {
				b[0][n] += 0.005*math.Sin(2*math.Pi*50*float64(n)/48000) + 0.02
			}
		}},
		{"5 % of third harmonic", "", 997, func(b dsp.Block) {
			for n, x := range b[0] {
				u := x / level
				b[0][n] = level * (u - 0.2*u*u*u)
			}
		}},
		{"3 ms dropped", "drops out within 20 ms, from 2.0", 997, func(b dsp.Block) {
			clear(b[0][at(2):at(2.003)])
			noise(b, 1e-5)
		}},
		{"100 ms dropped", "drops out within 1", 997, func(b dsp.Block) { clear(b[0][at(1.5):at(1.6)]) }},
		{"a click", "a click or an edit, -2", 997, func(b dsp.Block) {
			b[0][at(2.5)] += level / 10
			noise(b, 1e-5)
		}},
		{"ten frames lost", "departs from a sine within 20 ms", 997, func(b dsp.Block) {
			lost := append([]float64(nil), b[0][at(2)+10:at(2.3)]...)
			copy(b[0][at(2):], lost)
		}},
		{"cut flat by 1 dB", "positive and negative tops of the tone are cut flat at -21.0 dBFS, throughout", 997, func(b dsp.Block) {
			top := level * dsp.DBToAmplitude(-1)
			for n, x := range b[0] {
				b[0][n] = max(-top, min(top, x))
			}
			noise(b, 1e-5)
		}},
		{"cut flat on one side for a second", "positive tops of the tone are cut flat at -21.0 dBFS, in ", 997, func(b dsp.Block) {
			top := level * dsp.DBToAmplitude(-1)
			for n := at(1.5); n < at(2.5); n++ {
				b[0][n] = min(top, b[0][n])
			}
		}},
	} {
		if !dsptest.IsExhaustive() && (c.hz > 1000 || c.name == "as played, 1 kHz" || c.name == "100 ms dropped") {
			continue // TestDropoutsAndClicksInRandomTones draws their frequencies and lengths
		}
		tone := stimulus.Tone{Hz: c.hz, PeakDBFS: -20, Seconds: 3}
		a, err := aligned(t, tone, c.device)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		a.findBreaks(tone)
		found := ""
		for _, f := range a.Findings {
			if strings.Contains(f.What, "the tone") {
				found += f.What + "; "
			}
		}
		if c.phrase == "" && found != "" || !strings.Contains(found, c.phrase) {
			t.Errorf("%s: found %q, want %q", c.name, found, c.phrase)
		}
	}
}

// Random tones, levels, rates and impairments: an impairment that does not break a tone is no
// finding. A dropout, a click or lost frames that exceed the impairments are found, each with
// its place.
func TestDropoutsAndClicksInRandomTones(t *testing.T) {
	cases := 12
	if dsptest.IsExhaustive() {
		cases = 400
	}
	random := rand.New(rand.NewPCG(8, 1))
	between := func(low, high float64) float64 { return low + (high-low)*random.Float64() }
	for n := range cases {
		rate := []int{44100, 48000, 96000}[random.IntN(3)]
		hz, level := 40*math.Pow(250, random.Float64()), dsp.DBToAmplitude(-40*random.Float64()-1)
		noise, hum, third, pole := level*dsp.DBToAmplitude(between(-90, -40)), level*dsp.DBToAmplitude(between(-80, -30)), between(0, 0.1), between(0, 0.9)
		tone := stimulus.Tone{Hz: hz, PeakDBFS: dsp.AmplitudeToDB(level), Seconds: 3}
		sound, err := tone.Make(rate)
		if err != nil {
			t.Fatal(err)
		}
		x := append(sound[0], make([]float64, rate/2)...)
		last, wander := 0.0, between(0, 0.02)
		for i := range x {
			u := x[i] / level
			v := level * (u - third*u*u*u) * (1 + wander*math.Sin(float64(i)/float64(rate))) // a slow change of level
			last = (1-pole)*v + pole*last                                                    // a low-pass
			x[i] = last + hum*math.Sin(2*math.Pi*50*float64(i)/float64(rate)) + noise*random.NormFloat64() + 0.01*level
		}
		fault := []string{"", "", "dropout", "click", "lost"}[n%5]
		at := int(between(1.2, 2.7) * float64(rate))
		peak := 0.0
		for _, v := range x[rate : 2*rate] {
			peak = max(peak, math.Abs(v))
		}
		switch fault {
		case "dropout": // of three periods, and 5 ms
			clear(x[at : at+int(max(0.005, 3/hz)*float64(rate))])
		case "click": // of half the tone's peak
			x[at] += peak / 2
		case "lost": // a third to two thirds of a period
			lost := int(between(0.34, 0.66) / hz * float64(rate))
			if lost == 0 {
				continue
			}
			copy(x[at:], x[at+lost:])
		}
		a := &Alignment{Sound: dsp.Block{x}, Rate: rate}
		a.findBreaks(tone)
		found := ""
		for _, f := range a.Findings {
			if !strings.Contains(f.What, "cut flat") {
				found = f.What
			}
		}
		about := fmt.Sprintf("case %d: %.0f Hz at %d Hz, %.1f dBFS, noise %.0f dB, hum %.0f dB, third %.2f", n, hz, rate, tone.PeakDBFS, dsp.AmplitudeToDB(noise/level), dsp.AmplitudeToDB(hum/level), third)
		if (found != "") != (fault != "") {
			t.Errorf("%s: fault %q, found %q", about, fault, found)
		}
		if fault == "" && len(a.Findings) > 0 {
			t.Errorf("%s: found %q", about, a.Findings[0].What)
		}
		_, place, has := strings.Cut(found, ", from ")
		var seconds float64
		if _, err := fmt.Sscanf(place, "%f", &seconds); has && (err != nil || math.Abs(seconds-float64(at)/float64(rate)) > 0.12) { // a block, which has 4 periods or more
			t.Errorf("%s: fault %q at %.3f s, found %q", about, fault, float64(at)/float64(rate), found)
		}
	}
}

// A void recording of two channels names the channel that has the stimulus.
func TestSilentChannelIsNamed(t *testing.T) {
	_, err := aligned(t, stimulus.Tone{Hz: 997, PeakDBFS: -20, Seconds: 1, Channels: 2}, func(b dsp.Block) { clear(b[1]) })
	if void := (*VoidError)(nil); !errors.As(err, &void) || void.Channel != 1 || !strings.Contains(err.Error(), "both are in channel 1: plug in its cable") {
		t.Errorf("%v, want channel 2 void and channel 1 named", err)
	}
}

// One frame repeated in a tone shifts the last mark as a clock of 8 ppm does: where the break is
// found, neither the reading nor a finding is of the clock. Without it, both are.
func TestBrokenRecordingHasNoClock(t *testing.T) {
	tone := stimulus.Tone{Hz: 997, PeakDBFS: -30, Seconds: 2, Channels: 1}
	for _, repeated := range []bool{false, true} {
		a, err := aligned(t, tone, func(b dsp.Block) {
			random := rand.New(rand.NewPCG(3, 4))
			x, at := b[0], stimulus.LayoutOf(48000, 96000).Signal+50000
			if repeated {
				copy(x[at+1:], x[at:])
			}
			for n := range b[0] {
				b[0][n] += 1e-5 * random.NormFloat64()
			}
		})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := a.Read(tone); err != nil {
			t.Fatal(err)
		}
		drift, _ := a.Readings.Get("drift_ppm")
		if drift.Measurable() == repeated || repeated && drift.Reason != BrokenDrift {
			t.Errorf("repeated %t: drift %v", repeated, drift)
		}
		if found := slices.ContainsFunc(a.Findings, IsOfBreak); found != repeated || slices.ContainsFunc(a.Findings, IsOfClock) {
			t.Errorf("repeated %t: %v", repeated, a.Findings)
		}
	}
}
