package testsound

import (
	"math/rand/v2"
)

func Noise(frames int, amplitude float64, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 7))
	x := make([]float64, frames)
	for n := range x {
		x[n] = amplitude * (2*rng.Float64() - 1)
	}
	return x
}
