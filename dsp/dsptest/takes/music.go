package takes

import (
	"math"
	"math/rand/v2"
)

// Music is an invented bed of plucked chords, at −24 dBFS.
func Music(frames, rate int, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 19))
	x := make([]float64, frames)
	for at := 0; at < frames; at += rate / 4 {
		root := 110 * math.Pow(2, float64(rng.IntN(24))/12)
		for _, ratio := range []float64{1, 1.25, 1.5, 2} {
			for n := range min(rate, frames-at) {
				t := float64(n) / float64(rate)
				for k := 1.0; k <= 6; k++ {
					x[at+n] += math.Exp(-t*(3+k)) * math.Sin(2*math.Pi*root*ratio*k*t) / k
				}
			}
		}
	}
	return times(x, math.Pow(10, -24.0/20)/math.Sqrt(meanSquare(x)))
}
