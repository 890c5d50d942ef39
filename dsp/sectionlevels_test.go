package dsp

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The levels are those of the same sections as cascades, to the bit, wherever the blocks and
// the readings end; what is not finite is forgotten with the stretch that it lies in.
func TestSectionLevelsAgainstCascades(t *testing.T) {
	const rate, frames = 48000, 5000
	rng := rand.New(rand.NewPCG(43, 44))
	for round := range 12 {
		channels := 1 + rng.IntN(3)
		sections := []Biquad{ButterworthHighPass(2, 150, rate)[0], ButterworthHighPass(2, 40, rate)[0], ButterworthHighPass(2, 100, rate)[0]}[:1+rng.IntN(3)]
		x := NewBlock(channels, frames)
		for c := range x {
			for n := range x[c] {
				if n < 3000 || n > 4000 { // silence between
					x[c][n] = rng.NormFloat64()
				}
			}
		}
		if round%3 == 0 {
			x[0][500], x[0][700] = math.NaN(), math.Inf(1)
		}
		var filtered []Block
		for _, s := range sections {
			y := NewBlock(channels, frames)
			for c := range y {
				copy(y[c], x[c])
			}
			NewCascade([]Biquad{s}, channels).Process(y)
			filtered = append(filtered, y)
		}
		l := NewSectionLevels(sections, channels)
		for from := 0; from < frames; {
			to, begun := min(frames, from+1+rng.IntN(400)), from
			for from < to {
				n := min(to-from, 1+rng.IntN(100))
				l.Add(x, from, from+n)
				from += n
			}
			for c := range channels {
				squares, peaks := l.Take(c)
				for i, y := range filtered {
					sum, peak := 0.0, 0.0
					for _, v := range y[c][begun:to] {
						sum += float64(v * v)
						peak = max(peak, math.Abs(v))
					}
					if begun < 1024 && round%3 == 0 {
						continue // what is not finite has left the states after that
					}
					if squares[i] != sum || peaks[i] != peak {
						t.Fatalf("round %d, channel %d, section %d, frames %d to %d: %g and %g, by a cascade %g and %g", round, c, i, begun, to, squares[i], peaks[i], sum, peak)
					}
				}
			}
		}
	}
}
