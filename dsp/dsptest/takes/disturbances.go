package takes

import (
	"math"
	"math/rand/v2"

	"github.com/boothbench/boothbench/dsp"
)

// Disturbances are what happens in a room besides noise and speech.
var Disturbances = []string{"cough", "door", "creak", "breath", "laughter", "car", "click"}

// Disturbance makes one of Disturbances, with its loudest 50 ms at a level in dBFS above
// 80 Hz.
func Disturbance(kind string, rate int, dbfs float64, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 17))
	fs := float64(rate)
	band := func(seconds, low, high float64) []float64 {
		b := dsp.Block{make([]float64, int(seconds*fs))}
		for n := range b[0] {
			b[0][n] = rng.NormFloat64()
		}
		dsp.NewCascade(append(dsp.ButterworthHighPass(4, low, fs), dsp.ButterworthLowPass(4, min(high, 0.45*fs), fs)...), 1).Process(b)
		return b[0]
	}
	decay := func(n int, ms float64) float64 { return math.Exp(-float64(n) / fs / (ms / 1000)) }
	var x []float64
	switch kind {
	case "cough":
		for range 2 {
			y := band(0.35, 250, 3500)
			for n := range y {
				y[n] *= (1 - decay(n, 8)) * decay(n, 90)
			}
			x = append(x, y...)
		}
	case "door":
		x = make([]float64, rate)
		for n := range x {
			x[n] = math.Sin(2*math.Pi*70*float64(n)/fs)*decay(n, 180) + 0.3*rng.NormFloat64()*(decay(n, 50)+0.1*decay(n, 300))
		}
	case "creak":
		x = make([]float64, int(1.3*fs))
		for at := 0.0; at < 1.2; at += 0.015 + 0.055*rng.Float64() {
			hz := 600 + 1600*rng.Float64()
			for n := range int(0.04 * fs) {
				x[int(at*fs)+n] += math.Sin(2*math.Pi*hz*float64(n)/fs) * decay(n, 6)
			}
		}
	case "breath":
		x = band(0.6, 500, 5000)
		for n := range x {
			x[n] *= math.Pow(math.Sin(math.Pi*float64(n)/float64(len(x))), 2)
		}
	case "laughter":
		x = band(1, 300, 3000)
		for n := range x {
			t := float64(n) / fs
			x[n] = (0.3*x[n] + math.Mod(220*t, 1) - 0.5) * math.Max(0, math.Sin(2*math.Pi*4.8*t))
		}
	case "car":
		x = Coloured(8*rate, rate, 1, rng)
		for n := range x {
			x[n] *= math.Pow(math.Sin(math.Pi*float64(n)/float64(len(x))), 4)
		}
	case "click":
		x = make([]float64, rate/20)
		x[0] = 1
	}
	loudest := 0.0
	y := above80(x, rate)
	for from := 0; from < len(y); from += rate / 40 {
		loudest = math.Max(loudest, meanSquare(y[from:min(len(y), from+rate/20)]))
	}
	return times(x, math.Pow(10, dbfs/20)/math.Sqrt(loudest))
}

// Add adds one sound to another from a frame on.
func Add(x, y []float64, at int) {
	for n, v := range y {
		if at+n >= 0 && at+n < len(x) {
			x[at+n] += v
		}
	}
}

// Faster shortens a sound by a factor by leaving frames out. A factor below 1 leaves it
// unchanged.
func Faster(x []float64, factor float64) []float64 {
	factor = math.Max(1, factor)
	y := make([]float64, int(float64(len(x))/factor))
	for n := range y {
		y[n] = x[int(float64(n)*factor)]
	}
	return y
}
