package stimulus

import (
	"math"
	"math/big"
	"testing"
)

// A tone against a sine in exact rational phase, late in the tone as well as at the start.
// 2e-15 is a few roundings of numbers up to 1.
func TestToneAgainstRationalPhase(t *testing.T) {
	const rate = 44100
	block, err := Tone{Hz: 997.25, PeakDBFS: -6, Seconds: 120}.Make(rate)
	if err != nil {
		t.Fatal(err)
	}
	amplitude := math.Pow(10, -6.0/20)
	for _, n := range []int{1000, 44100, 1234567, 5000000} {
		turns := new(big.Rat).Mul(big.NewRat(99725, 100), big.NewRat(int64(n), rate))
		whole := new(big.Int).Quo(turns.Num(), turns.Denom())
		part, _ := turns.Sub(turns, new(big.Rat).SetInt(whole)).Float64()
		if want := amplitude * math.Sin(2*math.Pi*part); math.Abs(block[0][n]-want) > 2e-15 {
			t.Errorf("frame %d: %.17g, want %.17g", n, block[0][n], want)
		}
	}
}

// Peaks, and the rms below the peak: 3.0103 dB for a sine, 6.0206 for two equal sines, 4.6852
// for sines of 4:1 (closed forms: powers add).
func TestPeaksAndCrestFactors(t *testing.T) {
	for name, c := range map[string]struct {
		signal Signal
		crest  float64
		missed float64 // dB by which samples may miss the peak of the wave
	}{
		"line-up R 68":       {LineUpR68(), 3.0103, 0.01},
		"997 Hz":             {StandardTone(-20), 3.0103, 0.01},
		"18 and 20 kHz":      {DifferenceTonesAES17(-20), 6.0206, 0.7}, // repeats after 24 frames
		"19 and 20 kHz":      {DifferenceTonesIEC(-20), 6.0206, 0.4},   // after 48
		"60 Hz and 7 kHz":    {ModulationTonesSMPTE(-20), 4.685211, 0.01},
		"41 Hz and 7993 Hz":  {ModulationTonesAES17(-20), 4.685211, 0.01},
		"white, 10 log10(3)": {WhiteNoise{PeakDBFS: -20, Seconds: 30}, 4.771213, 0.01},
	} {
		block, err := c.signal.Make(48000)
		if err != nil {
			t.Fatal(err)
		}
		steady := block[0][48000 : len(block[0])-48000]
		peak, power := 0.0, 0.0
		for _, x := range steady {
			peak, power = max(peak, math.Abs(x)), power+x*x
		}
		want := -20.0
		if name == "line-up R 68" {
			want = -18
		}
		if got := 20 * math.Log10(peak); got > want+1e-9 || got < want-c.missed {
			t.Errorf("%s: peak %.4f dBFS, want %.2f", name, got, want)
		}
		// 0.005 dB: the power of random samples varies by its own spread over √n, which is
		// 0.003 dB for the 1.3 million of the noise.
		if got := want - 10*math.Log10(power/float64(len(steady))); math.Abs(got-c.crest) > 0.005 {
			t.Errorf("%s: rms %.4f dB below the peak, want %.4f", name, got, c.crest)
		}
		if first, last := block[0][0], block[0][len(block[0])-1]; math.Abs(first) > 1e-6 || math.Abs(last) > 1e-6 {
			t.Errorf("%s: begins at %g and ends at %g", name, first, last)
		}
	}
}

func TestToneInOneChannel(t *testing.T) {
	block, err := Tone{Hz: 997, PeakDBFS: -20, Seconds: 1, Channels: 3, Only: 2}.Make(48000)
	if err != nil {
		t.Fatal(err)
	}
	for c, plane := range block {
		power := 0.0
		for _, x := range plane {
			power += x * x
		}
		if (power > 0) != (c == 1) {
			t.Errorf("channel %d has power %g", c+1, power)
		}
	}
}

// AES17-2015 6.3.7: from the first level down in steps of 5 dB at most.
func TestToneSeriesLevels(t *testing.T) {
	s := AES17Series(-20)
	block, err := s.Make(48000)
	if err != nil {
		t.Fatal(err)
	}
	levels := s.Levels()
	if len(levels) != 19 || levels[18] != -110 {
		t.Fatalf("levels %v", levels)
	}
	for i, level := range levels {
		from, to := s.Step(i, 48000)
		peak := 0.0
		for _, x := range block[0][from:to] {
			peak = max(peak, math.Abs(x))
		}
		// 997 Hz at 48 kHz meets a peak within 1/48 of a period: 0.0001 dB.
		if got := 20 * math.Log10(peak); math.Abs(got-level) > 0.0001 {
			t.Errorf("step %d: peak %.4f dBFS, want %g", i, got, level)
		}
	}
}

func TestToneNoiseAndSilenceSettingsAreRefused(t *testing.T) {
	for name, s := range map[string]Signal{
		"above Nyquist":  Tone{Hz: 24000, PeakDBFS: -20, Seconds: 1},
		"over full":      Tone{Hz: 997, PeakDBFS: 0.1, Seconds: 1},
		"no such ch":     Tone{Hz: 997, PeakDBFS: -20, Seconds: 1, Only: 2},
		"NaN":            Tone{Hz: math.NaN(), PeakDBFS: -20, Seconds: 1},
		"tones reversed": TwinTone{LowHz: 7000, HighHz: 60, Ratio: 4, PeakDBFS: -20, Seconds: 1},
		"no ratio":       TwinTone{LowHz: 60, HighHz: 7000, PeakDBFS: -20, Seconds: 1},
		"no step":        ToneSeries{Hz: 997, FromDBFS: -20, ToDBFS: -110, StepSeconds: 1},
		"too many steps": ToneSeries{Hz: 997, FromDBFS: -20, ToDBFS: -110, StepDB: 0.01, StepSeconds: 1},
		"order":          MLS{Order: 9, Periods: 1, PeakDBFS: -20},
		"no time":        Silence{},
		"65 channels":    Silence{Seconds: 1, Channels: 65},
	} {
		if _, err := s.Make(48000); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

// math/rand/v2 guarantees the sequence of a seed, and package dsp the bits of its functions: a
// signal depends on nothing else.
func TestSameBitsAtEveryCall(t *testing.T) {
	for _, s := range []Signal{StandardTone(-20), ModulationTonesSMPTE(-20), WhiteNoise{PeakDBFS: -20, Seconds: 1, Seed: 7}, PinkNoise{PeakDBFS: -20, Seconds: 1, Seed: 7}, MLS{Order: 12, Periods: 2, PeakDBFS: -20}} {
		a, err := s.Make(44100)
		if err != nil {
			t.Fatal(err)
		}
		b, _ := s.Make(44100)
		for n := range a[0] {
			if a[0][n] != b[0][n] {
				t.Fatalf("%s: frame %d differs", s.Kind(), n)
			}
		}
	}
}

// remainder is exact: it equals math.Mod.
func TestRemainderEqualsMod(t *testing.T) {
	for _, rate := range []float64{1, 8, 44100, 48000, 192000} {
		for n := 0; n < 4_000_000; n += 997 {
			for _, hz := range []float64{997, 0.1, 2999.7, 19999.99, 1e-9} {
				if got, want := remainder(hz*float64(n), rate), math.Mod(hz*float64(n), rate); got != want {
					t.Fatalf("%g Hz, frame %d, %g: %g, want %g", hz, n, rate, got, want)
				}
			}
		}
	}
}
