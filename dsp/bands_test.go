package dsp

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The bands' sums are the energies of the same sections as cascades, whatever the blocks,
// within the rounding of sections that are divided by their first coefficient: some
// thousand times 1e-16, as the poles of the band at 20 Hz lie at 0.998. An infinite sample or a NaN is forgotten with the stretch that it lies in.
func TestBandsAgainstCascades(t *testing.T) {
	const rate, frames = 48000, 5000
	rng := rand.New(rand.NewPCG(41, 42))
	all := [][]Biquad{
		ButterworthHighPass(8, 20, rate),
		append(ButterworthHighPass(4, 20, rate), ButterworthLowPass(4, 80, rate)...),
		append(ButterworthHighPass(4, 5000, rate), ButterworthLowPass(4, 10000, rate)...),
	}
	singles := []Biquad{ButterworthHighPass(2, 150, rate)[0], ButterworthHighPass(2, 2000, rate)[0], ButterworthHighPass(2, 80, rate)[0]}
	for round := range 12 {
		channels, series := 1+rng.IntN(4), all[:1+rng.IntN(3)]
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
		b := NewBands(series, singles, channels)
		for from := 0; from < frames; {
			n := min(frames-from, 1+rng.IntN(600))
			if from < 1024 { // what is not finite has left the states by then
				n = min(n, 1024-from)
			}
			part := make(Block, channels)
			for c := range part {
				part[c] = x[c][from : from+n]
			}
			b.Add(part)
			if from += n; from == 1024 {
				for c := range channels {
					for i := range series {
						b.TakeSeries(c, i)
					}
					for i := range singles {
						b.TakeSingle(c, i)
					}
				}
			}
		}
		want := func(c int, sections []Biquad) (sum float64) {
			cascade, y := NewCascade(sections, channels), NewBlock(channels, frames)
			for i := range y {
				copy(y[i], x[i])
			}
			cascade.Process(y)
			for _, v := range y[c][1024:] {
				sum += float64(v * v)
			}
			return sum
		}
		for c := range channels {
			for i := range series {
				if got, want := b.TakeSeries(c, i), want(c, series[i]); !(math.Abs(got/want-1) < 1e-11) {
					t.Errorf("channel %d, series %d: %g, by a cascade %g", c, i, got, want)
				}
			}
			for i := range singles {
				if got, want := b.TakeSingle(c, i), want(c, singles[i:i+1]); !(math.Abs(got/want-1) < 1e-11) {
					t.Errorf("channel %d, single %d: %g, by a cascade %g", c, i, got, want)
				}
			}
		}
	}
}
