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

// powerSpectrum is the mean power spectrum of sound through a window (Welch, "The
// use of fast Fourier transform for the estimation of power spectra", 1967).
type powerSpectrum struct {
	binHz    float64
	window   []float64
	energy   float64   // sum of the window's squares
	power    []float64 // sum over the blocks of the mean square per bin
	blocks   int
	fft      *fourier.FFT
	windowed []float64
	bins     []complex128
}

func emptySpectrum(window []float64, rate int) *powerSpectrum {
	length := len(window)
	p := &powerSpectrum{
		binHz: float64(rate) / float64(length), window: window, power: make([]float64, length/2+1),
		fft: fourier.NewFFT(length), windowed: make([]float64, length), bins: make([]complex128, length/2+1),
	}
	for _, w := range window {
		p.energy += w * w
	}
	return p
}

// add adds the blocks that lie in a stretch of sound, a hop apart.
func (p *powerSpectrum) add(x []float64, hop int) {
	length := len(p.window)
	for from := 0; from+length <= len(x); from += hop {
		for n, w := range p.window {
			p.windowed[n] = w * x[from+n]
		}
		for k, v := range p.fft.Coefficients(p.bins, p.windowed) {
			square := real(v)*real(v) + imag(v)*imag(v)
			if k > 0 && k < length/2 {
				square *= 2 // and its mirror image
			}
			p.power[k] += square / (float64(length) * p.energy)
		}
		p.blocks++
	}
}

// level is the mean square through a weighting of power: true for lines as for
// noise.
func (p *powerSpectrum) level(weight func(hz float64) float64) float64 {
	sum := 0.0
	for k, v := range p.power {
		sum += v / float64(max(1, p.blocks)) * weight(float64(k)*p.binHz)
	}
	return sum
}

// spectrumSeconds is how long the blocks of a steady sound are at most.
const spectrumSeconds = 2

// newPowerSpectrum is the spectrum of a steady sound through the low-leakage
// window, its blocks overlapping by three quarters.
func newPowerSpectrum(x []float64, rate int) *powerSpectrum {
	length := 2
	for length*2 <= min(len(x), spectrumSeconds*rate) {
		length *= 2
	}
	p := emptySpectrum(lowLeakage(length), rate)
	p.add(x, length/4)
	return p
}
