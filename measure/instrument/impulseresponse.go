package instrument

import (
	"math"

	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// impulseResponse is a device's response to an impulse: the spectrum of a response divided by
// that of its stimulus.
type impulseResponse struct {
	h    []float64 // circular: frames before frame 0 are at the end
	rate int
}

// deconvolver divides responses by a stimulus within a band.
type deconvolver struct {
	fft     *spectra.FFT
	rate    int
	weights []float64    // of the band, for each bin
	inverse []complex128 // weight over the stimulus's spectrum
}

// newDeconvolver takes a weight for every frequency, which is 0 where the stimulus has no
// energy. Responses may be longer than the stimulus by a number of frames.
func newDeconvolver(sent []float64, longer, rate int, weight func(hz float64) float64) *deconvolver {
	length := spectra.FastLength(len(sent) + longer)
	d := &deconvolver{fft: spectra.NewFFT(length), rate: rate, weights: make([]float64, length/2+1)}
	padded := make([]float64, length)
	copy(padded, sent)
	d.inverse = d.fft.Coefficients(nil, padded)
	for k, x := range d.inverse {
		d.inverse[k] = 0
		if w := weight(float64(k)*float64(rate)/float64(length)) / float64(length); w > 0 {
			d.weights[k], d.inverse[k] = w, complex(w, 0)/x
		}
	}
	return d
}

// divide returns a device's impulse response from its response to the stimulus.
func (d *deconvolver) divide(response []float64) impulseResponse {
	padded := make([]float64, d.fft.Len())
	copy(padded, response)
	bins := d.fft.Coefficients(nil, padded)
	for k := range bins {
		bins[k] *= d.inverse[k]
	}
	return impulseResponse{d.fft.Sequence(padded, bins), d.rate}
}

// plain is the impulse response of a device without effect, which is that of the band's
// weights.
func (d *deconvolver) plain() impulseResponse {
	bins := make([]complex128, len(d.weights))
	for k, w := range d.weights {
		bins[k] = complex(w, 0)
	}
	return impulseResponse{d.fft.Sequence(nil, bins), d.rate}
}

// bandWeight is 1 from low to high. Outside it falls as a cosine over the logarithm of
// frequency, to 0 at outerLow and outerHigh.
func bandWeight(outerLow, low, high, outerHigh float64) func(hz float64) float64 {
	edge := func(hz, zero, one float64) float64 {
		x := math.Log(hz/zero) / math.Log(one/zero)
		return 0.5 - 0.5*math.Cos(math.Pi*max(0, min(1, x)))
	}
	return func(hz float64) float64 {
		switch {
		case hz >= low && hz <= high:
			return 1
		case hz <= outerLow || hz >= outerHigh:
			return 0
		}
		return edge(hz, outerLow, low) * edge(hz, outerHigh, high)
	}
}

// largest is the frame of the largest |sample|; it is negative before frame 0.
func (r impulseResponse) largest() int {
	best := 0
	for n, v := range r.h {
		if math.Abs(v) > math.Abs(r.h[best]) {
			best = n
		}
	}
	if best > len(r.h)/2 {
		best -= len(r.h)
	}
	return best
}

// at is the sample at a frame, which may be negative.
func (r impulseResponse) at(frame int) float64 {
	frame %= len(r.h)
	if frame < 0 {
		frame += len(r.h)
	}
	return r.h[frame]
}

// part is a stretch of the response around a frame, faded in and out over a fifth of each side.
func (r impulseResponse) part(middle, before, after int) (x []float64, from int) {
	x = make([]float64, before+after)
	from = middle - before
	for n := range x {
		x[n] = r.at(from + n)
		edge := min(float64(n)/(0.2*float64(before)), float64(len(x)-1-n)/(0.2*float64(after)))
		if edge < 1 {
			x[n] *= 0.5 - 0.5*math.Cos(math.Pi*edge)
		}
	}
	return x, from
}
