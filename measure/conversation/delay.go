package conversation

import (
	"math"
	"math/cmplx"

	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// A delay is the value of τ at which the sum over all bins of
//
//	W Re(Sxy e^(jωτ)),  W = |H| / (noise + scatter · |H|² Sxx)
//
// is largest. Its error is least where noise is the only disturbance (Hannan and Thomson,
// "Estimating group delay", 1973). Where there are echoes the weighting approaches a use of the
// phases alone: echoes scatter the phases, and no averaging over time removes that. Noise and
// |H| are averaged over neighbouring bins: with few windows, the sum would otherwise favour
// bins whose noise happens to be small.
type weighting struct {
	of          []float64 // W, by bin
	information float64   // in 1/frames², as the noise alone allows
}

const (
	smoothBins   = 4     // noise and |H| are averaged over at least this many bins on either side
	smoothShare  = 0.08  // and over this share of the frequency: a quarter of a third octave
	leastScatter = 0.001 // relative to the power
	// Hann windows that overlap by half count the same noise more than once: their sum of
	// squares is worth 0.947 of the frames, and counts them twice.
	overlapped = 2 / 0.947
)

// weigh returns the weighting of the sums for an amount of scatter.
func (c *cross) weigh(scatter float64) weighting {
	n := float64(c.count)
	last := len(c.xx)
	noise, own, follows := make([]float64, last+1), make([]float64, last+1), make([]float64, last+1) // sums up to a bin
	inside := make([]bool, last)
	c.each(func(f int, _ float64) { inside[f] = true })
	for f := range last {
		noise[f+1], own[f+1], follows[f+1] = noise[f], own[f], follows[f]
		if inside[f] {
			part, chance := c.part(f)
			noise[f+1] += chance // noise of one window
			own[f+1] += c.xx[f] / n
			follows[f+1] += (part - chance) / n
		}
	}
	w := weighting{of: make([]float64, last)}
	for f := range last {
		if !inside[f] {
			continue
		}
		reach := max(smoothBins, int(smoothShare*float64(f)))
		lo, hi := max(0, f-reach), min(last, f+reach+1)
		h2 := (follows[hi] - follows[lo]) / (own[hi] - own[lo])
		disturbance := (noise[hi] - noise[lo]) / float64(hi-lo)
		disturbance += scatter * h2 * c.xx[f] / n
		if !(h2 > 0) || disturbance == 0 { // 0: digital silence
			continue
		}
		turn := 2 * math.Pi * float64(f) / float64(c.length)
		w.of[f] = math.Sqrt(h2) / disturbance
		w.information += 2 * turn * turn * h2 * c.xx[f] / disturbance / overlapped
	}
	return w
}

// weighted returns the sums multiplied by a weighting.
func (c *cross) weighted(w weighting) []complex128 {
	all := make([]complex128, len(c.xy))
	for f, v := range c.xy {
		all[f] = v * complex(w.of[f], 0)
	}
	return all
}

// delay returns by how many frames, with a fraction, the second sound is later than its place
// by the map. It also returns the standard error, whether the sound is inverted, and the
// weighting used.
func (c *cross) delay() (frames, deviation float64, inverted bool, w weighting) {
	scatter := leastScatter
	for range 3 {
		w = c.weigh(scatter)
		weighted := c.weighted(w)
		var value float64
		frames, value = c.peak(weighted)
		inverted = value < 0
		sum := 0.0
		for _, v := range weighted {
			sum += cmplx.Abs(v)
		}
		if sum > 0 {
			aligned := min(1, math.Abs(value)/sum)
			scatter = max(leastScatter, 1-aligned*aligned)
		}
		deviation = max(1/math.Sqrt(w.information), c.phaseScatter(weighted, frames))
	}
	return frames, deviation, inverted, w
}

// peak returns the lag at which weighted sums are largest in magnitude, and their value there.
func (c *cross) peak(weighted []complex128) (frames, value float64) {
	lags := spectra.NewFFT(c.length).Sequence(nil, weighted)
	best := 0
	for n, v := range lags {
		if math.Abs(v) > math.Abs(lags[best]) {
			best = n
		}
	}
	if best > c.length/2 {
		best -= c.length
	}
	return spectra.Crest(weighted, c.length, float64(best))
}

// phaseScatter returns the standard error of a delay that follows from the scatter of the
// phases. It uses blocks of bins, because echoes shift the phases of neighbouring bins alike
// (the variance of a maximum-likelihood estimate under an inexact model; White, Econometrica
// 50, 1982).
func (c *cross) phaseScatter(weighted []complex128, frames float64) (deviation float64) {
	sharp := math.Abs(curvature(weighted, c.length, frames))
	for _, block := range []int{4, 16, 64} {
		slopes := 0.0
		for from := 0; from < len(weighted); from += block {
			slope := 0.0
			for f := from; f < min(len(weighted), from+block); f++ {
				turn := 2 * math.Pi * float64(f) / float64(c.length)
				sin, cos := math.Sincos(turn * frames)
				v := weighted[f]
				slope += turn * (real(v)*sin + imag(v)*cos)
			}
			slopes += slope * slope
		}
		deviation = max(deviation, math.Sqrt(slopes)/sharp)
	}
	return deviation
}

// curvature returns the second derivative of weighted sums at a delay.
func curvature(weighted []complex128, length int, frames float64) (sum float64) {
	for f, v := range weighted {
		turn := 2 * math.Pi * float64(f) / float64(length)
		sin, cos := math.Sincos(turn * frames)
		sum -= turn * turn * (real(v)*cos - imag(v)*sin)
	}
	return sum
}
