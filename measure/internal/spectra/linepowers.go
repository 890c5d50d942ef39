package spectra

import (
	"math"
	"math/cmplx"
)

// LinePowers are the powers that steady sines would have in stretches of sound, from 0 Hz
// up in cells: of noise they are its power in LineHz. A stretch counts by the square of its
// length, so that the density of noise is a mean over the time.
type LinePowers struct {
	Powers  []float64
	CellHz  float64
	LineHz  float64 // bandwidth of a line under a Hann window: 1.5 bins
	Degrees float64 // how many stretches of one length are worth as much, for noise
}

// mostCellHz is small against the width of a line in the longest stretches, 2 s: between two
// cells a line is read 0.1 dB too low at most.
const mostCellHz = 0.125

// passStepHz is the distance at which the response of the low-pass is computed; between, it is
// interpolated. It falls smoothly over thousands of Hz.
const passStepHz = 10.0

// LinePowersOf is that of stretches through Hann windows at one rate, up to a frequency in Hz.
func LinePowersOf(stretches []*LowLines, highestHz float64) *LinePowers {
	first := stretches[0]
	lowRate := float64(first.rate) / float64(first.step)
	longest := 0
	for _, l := range stretches {
		longest = max(longest, len(l.low.Windowed))
	}
	fft := NewFFT(FastLength(max(longest, int(lowRate/mostCellHz))))
	t := &LinePowers{CellHz: lowRate / float64(fft.Len())}
	t.Powers = make([]float64, min(fft.Len()/2, int(highestHz/t.CellHz)+2))
	bins, padded := make([]complex128, fft.Len()/2+1), make([]float64, fft.Len())
	frames, squares := 0.0, 0.0
	for _, l := range stretches {
		n := float64(l.Frames)
		frames, squares = frames+n, squares+n*n
		clear(padded[copy(padded, l.low.Windowed):])
		bins = fft.Coefficients(bins, padded)
		scale := n * float64(l.step) / l.gain
		for k := range t.Powers {
			re, im := scale*real(bins[k]), scale*imag(bins[k])
			t.Powers[k] += (re*re + im*im) / 2
		}
	}
	at := func(i int) float64 { return cmplx.Abs(first.pass.At(float64(i) * passStepHz)) }
	section, from, to := 0, at(0), at(1)
	for k := range t.Powers {
		place := float64(k) * t.CellHz / passStepHz
		for int(place) > section {
			section, from, to = section+1, to, at(section+2)
		}
		pass := from + (to-from)*(place-float64(section))
		t.Powers[k] /= squares * pass * pass
	}
	t.LineHz = 1.5 * float64(first.rate) * frames / squares
	t.Degrees = frames * frames / squares
	return t
}

// At is the power at a frequency in Hz, interpolated.
func (t *LinePowers) At(hz float64) float64 {
	place := max(0, min(float64(len(t.Powers)-2), hz/t.CellHz))
	k := int(place)
	return t.Powers[k] + (t.Powers[k+1]-t.Powers[k])*(place-float64(k))
}

// Most is the largest power between two frequencies in Hz.
func (t *LinePowers) Most(from, to float64) float64 {
	most := max(t.At(from), t.At(to))
	for k := int(math.Ceil(from / t.CellHz)); float64(k)*t.CellHz <= to && k < len(t.Powers); k++ {
		most = max(most, t.Powers[k])
	}
	return most
}

// Peak is the frequency and the power of the largest cell between two frequencies in Hz, by a
// parabola through its logarithm and those of its neighbours.
func (t *LinePowers) Peak(from, to float64) (hz, power float64) {
	best := max(1, int(math.Ceil(from/t.CellHz)))
	for k := best; float64(k)*t.CellHz <= to && k < len(t.Powers)-1; k++ {
		if t.Powers[k] > t.Powers[best] {
			best = k
		}
	}
	log := func(k int) float64 { return math.Log(t.Powers[k] + 1e-300) }
	before, at, after := log(best-1), log(best), log(best+1)
	if at <= before || at <= after {
		return float64(best) * t.CellHz, t.Powers[best]
	}
	d := (before - after) / (2 * (before + after - 2*at))
	return (float64(best) + d) * t.CellHz, math.Exp(at - (before-after)*d/4)
}

// Between is the power of all that lies between two frequencies in Hz.
func (t *LinePowers) Between(from, to float64) (power float64) {
	for k := int(math.Ceil(from / t.CellHz)); float64(k)*t.CellHz <= to && k < len(t.Powers); k++ {
		power += t.Powers[k]
	}
	return power * t.CellHz / t.LineHz
}
