package measure

import (
	"math"

	"gonum.org/v1/gonum/dsp/fourier"
)

// sevenTerms are the coefficients of a sum of cosines with side lobes below
// −180 dB, none of them nearer than 7 bins (Albrecht, "A family of cosine-sum
// windows for high-resolution measurements", ICASSP 2001; a test measures the side
// lobes). A tone of full scale leaks less than any converter's noise into what
// is 7 bins away.
var sevenTerms = [...]float64{0.27105140069342, 0.43329793923448, 0.21812299954311, 0.06592544638803, 0.01081174209837, 0.00077658482522, 0.00001388721735}

// lobeBins is half the width of that window's main lobe.
const lobeBins = 7

// lowLeakage is the window over a length, in its periodic form.
func lowLeakage(length int) []float64 {
	w := make([]float64, length)
	for n := range w {
		for k, a := range sevenTerms {
			if k%2 == 1 {
				a = -a
			}
			// The argument is reduced as an integer, so that it stays exact.
			w[n] += a * math.Cos(2*math.Pi*float64(k*n%length)/float64(length))
		}
	}
	return w
}

// powerSpectrum is the mean power spectrum of a stretch of sound through the
// low-leakage window, blocks overlapping by three quarters (Welch, "The use of
// fast Fourier transform for the estimation of power spectra", 1967).
type powerSpectrum struct {
	binHz float64
	power []float64 // mean square per bin; sums are true for lines and for noise
}

// spectrumSeconds is how long the blocks are at most.
const spectrumSeconds = 2

func newPowerSpectrum(x []float64, rate int) powerSpectrum {
	length := 2
	for length*2 <= min(len(x), spectrumSeconds*rate) {
		length *= 2
	}
	window, energy := lowLeakage(length), 0.0
	for _, w := range window {
		energy += w * w
	}
	fft, windowed, bins := fourier.NewFFT(length), make([]float64, length), make([]complex128, length/2+1)
	p := powerSpectrum{binHz: float64(rate) / float64(length), power: make([]float64, length/2+1)}
	blocks := 0
	for from := 0; from+length <= len(x); from += length / 4 {
		for n, w := range window {
			windowed[n] = w * x[from+n]
		}
		for k, v := range fft.Coefficients(bins, windowed) {
			p.power[k] += real(v)*real(v) + imag(v)*imag(v)
		}
		blocks++
	}
	for k := range p.power {
		mirrored := 2.0
		if k == 0 || k == length/2 {
			mirrored = 1
		}
		p.power[k] *= mirrored / (float64(blocks) * float64(length) * energy)
	}
	return p
}

// level is the mean square through a weighting of power.
func (p powerSpectrum) level(weight func(hz float64) float64) float64 {
	sum := 0.0
	for k, v := range p.power {
		sum += v * weight(float64(k)*p.binHz)
	}
	return sum
}
