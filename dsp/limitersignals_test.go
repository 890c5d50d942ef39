package dsp_test

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"github.com/boothbench/boothbench/dsp"
)

// stressSignal is a signal that limiters fail on. Its samples reach ±1 about.
type stressSignal struct {
	name        string
	bandLimited bool // nothing above 20 kHz
	x           []float64
}

// stressSignals makes them for a rate, each about the given number of frames.
func stressSignals(rate, frames int) []stressSignal {
	fs := float64(rate)
	rng := rand.New(rand.NewPCG(7, uint64(rate)))
	var all []stressSignal
	add := func(name string, bandLimited bool, f func(n int) float64) {
		x := make([]float64, frames)
		for n := range x {
			x[n] = f(n)
			if bandLimited { // so must its ends be: 10 ms of raised cosine
				edge := float64(min(n, frames-1-n)) / (fs / 100)
				x[n] *= .5 - .5*math.Cos(math.Pi*min(1, edge))
			}
		}
		all = append(all, stressSignal{name, bandLimited, x})
	}
	sine := func(hz, phase float64, n int) float64 { return math.Sin(2*math.Pi*hz/fs*float64(n) + phase) }
	// Tones of a quarter, a sixth and an eighth of the rate, whose samples
	// straddle the peaks: EBU Tech 3341 v4, signals 16 to 18, with fades; then
	// without, loud from the first frame to the last.
	add("fs/4 at 45 degrees, unfaded", false, func(n int) float64 { return math.Sqrt2 * sine(fs/4, math.Pi/4, n) })
	add("fs/8 at 67.5 degrees, unfaded", false, func(n int) float64 { return 1.08 * sine(fs/8, 3*math.Pi/8, n) })
	add("fs/4 at 45 degrees", true, func(n int) float64 { return math.Sqrt2 * sine(fs/4, math.Pi/4, n) })
	add("fs/6 at 60 degrees", true, func(n int) float64 { return 1.15 * sine(fs/6, math.Pi/3, n) })
	add("fs/8 at 67.5 degrees", true, func(n int) float64 { return 1.08 * sine(fs/8, 3*math.Pi/8, n) })
	add("beat of 0.45 fs", false, func(n int) float64 { return sine(.45*fs, 0, n) })
	add("beat of 0.49 fs", false, func(n int) float64 { return sine(.49*fs, 1, n) })
	add("steps", false, func(n int) float64 { return float64(n/700%3 - 1) })
	add("direct current", false, func(n int) float64 { return 1 })
	add("impulses", false, func(n int) float64 {
		if n%311 == 17 || n%1013 == 20 {
			return 1
		}
		return 0
	})
	add("alternating runs", false, func(n int) float64 {
		// Runs of k alternating samples, k = 1 … 40, 60 frames apart.
		k := n / 60 % 40
		if n%60 <= k {
			return 1 - 2*float64(n%60&1)
		}
		return 0
	})
	// Signs that attain the L1 norms of the interpolators.
	signs := func(taps []float64) func(n int) float64 {
		return func(n int) float64 {
			at := n % (3*len(taps) + 5)
			if at >= len(taps) || taps[at] == 0 {
				return 0
			}
			return math.Copysign(1, taps[at])
		}
	}
	add("signs of Annex 2, phase 1", false, signs(oracleAnnex2[1][:]))
	add("signs of Annex 2, phase 0", false, signs(oracleAnnex2[0][:]))
	sinc := make([]float64, 64)
	for j := range sinc {
		t := float64(j) - 31.5
		sinc[j] = math.Sin(math.Pi*t) / t
	}
	add("signs of a sinc", false, signs(sinc))
	for _, hz := range []float64{220, 997, 5003} {
		add("square", true, func(n int) float64 {
			var y float64
			for k := 1.0; k*hz < min(20000, fs/2-500); k += 2 {
				y += 4 / math.Pi / k * sine(k*hz, 0, n)
			}
			return y
		})
	}
	add("clipped noise", false, func(int) float64 { return max(-1, min(1, rng.NormFloat64())) })
	add("noise of ±1", false, func(int) float64 { return float64(1 - 2*rng.IntN(2)) })
	add("noise to 20 kHz", true, bandLimitedNoise(rng, rate, frames))
	add("sweep", true, func(n int) float64 {
		// Exponential from 20 Hz to 20 kHz or nearly half the rate.
		top := min(20000, .49*fs)
		l := float64(frames) / fs / math.Log(top/20)
		return math.Sin(2 * math.Pi * 20 * l * (math.Exp(float64(n)/fs/l) - 1))
	})
	for _, hz := range []float64{60, 1000, 5000, .25 * fs, .45 * fs} {
		for _, phase := range []float64{0, math.Pi / 4, math.Pi / 2} {
			add("burst after silence", false, func(n int) float64 {
				if n < frames/3 || n > 2*frames/3 {
					return 0
				}
				return sine(hz, phase, n-frames/3)
			})
		}
	}
	add("noise bursts", false, func(n int) float64 {
		if n/500%3 == 0 {
			return 2*rng.Float64() - 1
		}
		return 0
	})
	level := 1.0
	add("level steps", false, func(n int) float64 {
		if n%12 == 0 {
			level = math.Pow(10, -2*rng.Float64())
		}
		return level * float64(1-2*rng.IntN(2))
	})
	return all
}

// bandLimitedNoise is Gaussian noise with nothing above 20 kHz (or 0.45 of the
// rate): a sum of sines of random phase.
func bandLimitedNoise(rng *rand.Rand, rate, frames int) func(n int) float64 {
	const sines = 200
	top := min(20000, .45*float64(rate))
	var step, phase [sines]float64
	for i := range step {
		step[i] = 2 * math.Pi * top * (float64(i) + rng.Float64()) / sines / float64(rate)
		phase[i] = 2 * math.Pi * rng.Float64()
	}
	return func(n int) float64 {
		var y float64
		for i := range step {
			y += math.Sin(step[i]*float64(n) + phase[i])
		}
		return y / 40
	}
}

// speech is two channels of speech at 48 kHz: recorded channel names of Debian's
// alsa-utils where they are installed, otherwise the generated programme.
func speech(t testing.TB, frames int) dsp.Block {
	b := dsp.NewBlock(2, frames)
	for c, name := range []string{"Front_Center", "Rear_Left"} {
		raw, err := os.ReadFile("/usr/share/sounds/alsa/" + name + ".wav")
		if err != nil || len(raw) < 1000 {
			t.Log("alsa-utils is not installed: generated programme instead of speech")
			return speechlike(48000, frames)
		}
		x := b[c]
		for n := range x { // 16 bits, mono, 44 bytes of header
			at := 44 + 2*(n%((len(raw)-44)/2))
			x[n] = float64(int16(binary.LittleEndian.Uint16(raw[at:]))) / 32768
		}
	}
	var peak float64
	for _, x := range b {
		for _, v := range x {
			peak = max(peak, math.Abs(v))
		}
	}
	for _, x := range b {
		for n := range x {
			x[n] /= peak
		}
	}
	return b
}

// speechlike is a generated programme of two voices: pulses of a wandering
// pitch through three resonances, hiss, and pauses, at syllable pace.
func speechlike(rate, frames int) dsp.Block {
	b := dsp.NewBlock(2, frames)
	fs := float64(rate)
	for c, x := range b {
		rng := rand.New(rand.NewPCG(11, uint64(c)))
		var phase float64
		var state [3][2]float64
		pitch, voiced, loud := 110.0+70*float64(c), true, 1.0
		formants := [3]float64{600, 1200, 2500}
		for n := range x {
			if n%(rate/6) == 0 {
				voiced, loud = rng.Float64() < .7, math.Pow(10, -rng.Float64())
				if rng.Float64() < .2 {
					loud = 0
				}
				formants = [3]float64{300 + 500*rng.Float64(), 900 + 1200*rng.Float64(), 2400 + 800*rng.Float64()}
			}
			excitation := .05 * rng.NormFloat64()
			if voiced {
				phase += pitch * (1 + .1*math.Sin(float64(n)*7/fs)) / fs
				if phase >= 1 {
					phase--
					excitation += 1
				}
			} else {
				excitation *= 4
			}
			at := math.Mod(float64(n), fs/6) / (fs / 6)
			y := excitation * loud * math.Sin(math.Pi*at)
			for i := range state {
				r := math.Exp(-math.Pi * 120 / fs)
				s := &state[i]
				out := (1-r)*8*y + 2*r*math.Cos(2*math.Pi*formants[i]/fs)*s[0] - r*r*s[1]
				s[0], s[1] = out, s[0]
				y = out
			}
			x[n] = y
		}
		var peak float64
		for _, v := range x {
			peak = max(peak, math.Abs(v))
		}
		for n := range x {
			x[n] /= peak
		}
	}
	return b
}
