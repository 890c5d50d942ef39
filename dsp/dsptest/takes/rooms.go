package takes

import (
	"math"
	"math/rand/v2"
	"slices"
	"sync"

	"gonum.org/v1/gonum/dsp/fourier"

	"github.com/boothbench/boothbench/dsp"
)

// Room is a take of speech in noise, with its parts.
type Room struct {
	Rate          int
	Speech, Noise []float64 // the take is their sum
	Pauses        [][2]int  // frames without speech, first and one past the last
	SpeechDBFS    float64   // active level
}

// Take is what was recorded.
func (r Room) Take() []float64 {
	x := make([]float64, len(r.Speech))
	for n := range x {
		x[n] = r.Speech[n] + r.Noise[n]
	}
	return x
}

// NewRoom makes a take: phrases at an active level of −24 dBFS with a share of pauses,
// and a noise under it by snr dB, both above 80 Hz.
func NewRoom(p Phrases, kind string, snr, pauseShare, seconds float64, seed uint64) Room {
	r := NewSpeech(p, pauseShare, seconds, seed)
	r.Noise = RoomNoise(kind, len(r.Speech), p.Rate, r.SpeechDBFS-snr, seed+1)
	return r
}

// NewSpeech is a room without its noise.
func NewSpeech(p Phrases, pauseShare, seconds float64, seed uint64) Room {
	rng := rand.New(rand.NewPCG(seed, 11))
	r := Room{Rate: p.Rate, SpeechDBFS: -24}
	frames := int(seconds * float64(p.Rate))
	r.Speech = make([]float64, 0, frames)
	spoken := 0
	for at := 0; at < frames; {
		clip := p.Clips[rng.IntN(len(p.Clips))]
		gain := math.Pow(10, (r.SpeechDBFS-ActiveLevel(clip, p.Rate))/20)
		r.Speech = append(r.Speech, times(clip, gain)...)
		spoken += len(clip)
		// The pause keeps the share that was asked for.
		pause := int(float64(spoken)*pauseShare/(1-pauseShare)) - (len(r.Speech) - spoken)
		pause = max(p.Rate/10, pause)
		r.Pauses = append(r.Pauses, [2]int{len(r.Speech), min(frames, len(r.Speech)+pause)})
		r.Speech = append(r.Speech, make([]float64, pause)...)
		at = len(r.Speech)
	}
	r.Speech = r.Speech[:frames]
	r.Pauses = slices.DeleteFunc(r.Pauses, func(p [2]int) bool { return p[0] >= frames })
	return r
}

// RoomNoise is noise of a level in dBFS above 80 Hz: "white", "pink", or "room" (power
// that falls with the square of the frequency, from 5 Hz on, lines at 50, 100, 150 and
// 250 Hz, and a level that drifts by 1 dB up and down).
func RoomNoise(kind string, frames, rate int, dbfs float64, seed uint64) []float64 {
	made, _ := unitNoises.LoadOrStore(noise{kind, frames, rate, seed}, sync.OnceValue(func() []float64 {
		return unitNoise(kind, frames, rate, seed)
	}))
	return times(made.(func() []float64)(), math.Pow(10, dbfs/20))
}

// unitNoises is the cache of noises at 0 dBFS: many tests use one at several levels.
var unitNoises sync.Map

// ForgetNoises frees them: for tests of a hundred rooms, each with a noise of its own.
func ForgetNoises() { unitNoises.Clear() }

type noise struct {
	kind         string
	frames, rate int
	seed         uint64
}

func unitNoise(kind string, frames, rate int, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 13))
	slope := map[string]float64{"white": 0, "pink": 1, "room": 2}[kind]
	x := Coloured(frames, rate, slope, rng)
	if kind == "room" {
		level := math.Sqrt(meanSquare(above80(x, rate)))
		for n := range x {
			t := float64(n) / float64(rate)
			for k, hz := range []float64{50, 100, 150, 250} {
				x[n] += 0.3 * level / float64(k+1) * math.Sin(2*math.Pi*hz*t)
			}
			x[n] *= math.Pow(10, math.Sin(2*math.Pi*t/17)/20)
		}
	}
	return times(x, 1/math.Sqrt(meanSquare(above80(x, rate))))
}

// SwitchOn adds a noise that comes and goes: one of a kind, which raises the noise above
// 80 Hz by so many dB for a share of each period, and takes ramp seconds to do so. It
// returns where it is on in full, in frames; phase is in seconds.
func (r Room) SwitchOn(kind string, raiseDB, period, share, phase, ramp float64, seed uint64) (on [][2]int) {
	before := BandLevel(r.Noise, r.Rate, 80, 20000)
	other := RoomNoise(kind, len(r.Noise), r.Rate, before+10*math.Log10(math.Pow(10, raiseDB/10)-1), seed)
	gain, step := 0.0, 1/(ramp*float64(r.Rate))
	for n := range r.Noise {
		if math.Mod(float64(n)/float64(r.Rate)+phase, period) < share*period {
			if gain = math.Min(1, gain+step); gain == 1 {
				if k := len(on) - 1; k >= 0 && on[k][1] == n {
					on[k][1] = n + 1
				} else {
					on = append(on, [2]int{n, n + 1})
				}
			}
		} else {
			gain = math.Max(0, gain-step)
		}
		r.Noise[n] += gain * other[n]
	}
	return on
}

// Coloured is Gaussian noise whose power falls with a power of the frequency, from 5 Hz
// on.
func Coloured(frames, rate int, slope float64, rng *rand.Rand) []float64 {
	length := 1
	for length < frames {
		length *= 2
	}
	bins := make([]complex128, length/2+1)
	for k := 1; k < len(bins); k++ {
		hz := max(5, float64(k)*float64(rate)/float64(length))
		a := math.Pow(hz/100, -slope/2)
		bins[k] = complex(a*rng.NormFloat64(), a*rng.NormFloat64())
	}
	fft := transformOf(length)
	defer keep(fft)
	return fft.Sequence(nil, bins)[:frames]
}

// pools holds, by length, the transforms that no goroutine uses: the sines and cosines of
// one take half as long as the transform.
var pools sync.Map

// transformOf is a transform of a length, for one goroutine until it is kept again.
func transformOf(length int) *fourier.FFT {
	if p, ok := pools.Load(length); ok {
		if fft, ok := p.(*sync.Pool).Get().(*fourier.FFT); ok {
			return fft
		}
	}
	return fourier.NewFFT(length)
}

func keep(fft *fourier.FFT) {
	p, _ := pools.LoadOrStore(fft.Len(), new(sync.Pool))
	p.(*sync.Pool).Put(fft)
}

func above80(x []float64, rate int) []float64 {
	b := dsp.Block{slices.Clone(x)}
	dsp.NewCascade(dsp.ButterworthHighPass(2, 80, float64(rate)), 1).Process(b)
	return b[0]
}

// BandLevel is the level in dBFS of sound between two frequencies in Hz, by one
// transform of the whole sound.
func BandLevel(x []float64, rate int, low, high float64) float64 {
	return WeightedLevel(x, rate, low, high, func(float64) float64 { return 1 })
}

// WeightedLevel is the same through a weighting of power.
func WeightedLevel(x []float64, rate int, low, high float64, weight func(hz float64) float64) float64 {
	length := 1
	for length < len(x) {
		length *= 2
	}
	padded := make([]float64, length)
	copy(padded, x)
	sum := 0.0
	fft := transformOf(length)
	defer keep(fft)
	for k, v := range fft.Coefficients(nil, padded) {
		if hz := float64(k) * float64(rate) / float64(length); hz >= low && hz <= high && k > 0 && k < length/2 {
			sum += 2 * weight(hz) * (real(v)*real(v) + imag(v)*imag(v))
		}
	}
	return 10 * math.Log10(sum/float64(length)/float64(len(x)))
}

// times is a plane with a gain.
func times(x []float64, gain float64) []float64 {
	out := make([]float64, len(x))
	for n, v := range x {
		out[n] = gain * v
	}
	return out
}
