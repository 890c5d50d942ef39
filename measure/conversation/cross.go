package conversation

import (
	"math"
	"math/cmplx"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

// cross holds sums of spectra over windows of two microphones. The second microphone's windows
// are at the places that a map gives.
type cross struct {
	length     int
	weights    []float64 // of bins
	count      int
	xx, yy     []float64
	xy         []complex128
	own, other []float64 // K-weighted power of each window
}

// crossesOf sums the spectra of windows that start at the given frames of microphone i. It
// divides them into consecutive groups.
func (m *measurement) crossesOf(place timemap.Map, i, j, length int, from []int64, groups int) ([]*cross, error) {
	here, there := make([]planes.Extent, len(from)), make([]planes.Extent, len(from))
	for k, at := range from {
		here[k] = planes.Extent{From: at, Frames: length}
		there[k] = planes.Extent{From: int64(math.Round(place.At(int(at)))), Frames: length}
		if place.Speed != 1 {
			there[k].From -= timemap.Taps
			there[k].Frames += 2*timemap.Taps + length/1000
		}
	}
	x, err := planes.Gather(m.mics[i].Open, m.mics[i].Channel, here)
	if err != nil {
		return nil, err
	}
	y, err := planes.Gather(m.mics[j].Open, m.mics[j].Channel, there)
	if err != nil {
		return nil, err
	}
	weights := m.weights(length)
	sums := make([]*cross, groups)
	for g := range sums {
		sums[g] = newCross(length, weights)
	}
	fft, window := spectra.NewFFT(length), spectra.Hann(length)
	var a, b []complex128
	for k := range from {
		if place.Speed != 1 {
			y[k] = timemap.Map{Delay: place.At(int(from[k])) - float64(there[k].From), Speed: place.Speed}.Resample(y[k], 0, length)
		}
		for n, w := range window {
			x[k][n] *= w
			y[k][n] *= w
		}
		a, b = fft.Coefficients(a, x[k]), fft.Coefficients(b, y[k])
		sums[k*groups/len(from)].window(a, b)
	}
	return sums, nil
}

func newCross(length int, weights []float64) *cross {
	bins := length/2 + 1
	return &cross{length: length, weights: weights, xx: make([]float64, bins), yy: make([]float64, bins), xy: make([]complex128, bins)}
}

// window adds the spectra of a window.
func (c *cross) window(x, y []complex128) {
	var own, other float64
	for f := range x {
		xx, yy := real(x[f])*real(x[f])+imag(x[f])*imag(x[f]), real(y[f])*real(y[f])+imag(y[f])*imag(y[f])
		c.xx[f] += xx
		c.yy[f] += yy
		c.xy[f] += y[f] * cmplx.Conj(x[f])
		own += c.weights[f] * xx
		other += c.weights[f] * yy
	}
	c.count++
	c.own, c.other = append(c.own, own), append(c.other, other)
}

// add adds the sums of further windows.
func (c *cross) add(more *cross) {
	c.count += more.count
	c.own, c.other = append(c.own, more.own...), append(c.other, more.other...)
	for f := range c.xx {
		c.xx[f] += more.xx[f]
		c.yy[f] += more.yy[f]
		c.xy[f] += more.xy[f]
	}
}

// weights returns the K-weighting of power in the bins from 80 Hz to 0.45 of the rate, and 0
// elsewhere. It is scaled so that sums over a window are mean squares.
func (m *measurement) weights(length int) []float64 {
	sections := measure.KWeighting(float64(m.rate))
	weights := make([]float64, length/2+1)
	for f := max(1, 80*length/m.rate); f < 45*length/100; f++ {
		weights[f] = 2 / (float64(length) * 0.375 * float64(length)) // 0.375: mean square of the window
		for _, s := range sections {
			h := cmplx.Abs(s.Response(float64(f)*float64(m.rate)/float64(length), float64(m.rate)))
			weights[f] *= h * h
		}
	}
	return weights
}

// each visits the bins with a weight.
func (c *cross) each(visit func(f int, weight float64)) {
	for f, w := range c.weights {
		if w > 0 && c.xx[f] > 0 {
			visit(f, w/float64(max(1, c.count)))
		}
	}
}

// coherent returns the power of the part of the second microphone's sound that is coherent with
// the first one's, its standard error, the standard error if nothing is coherent, and the power
// of the first microphone. In each bin the coherent part is |Sxy|²/Sxx, less the contribution
// of the second microphone's noise. That contribution is the residue divided by the degrees of
// freedom (least squares with one unknown; Bendat and Piersol, "Random Data", 4th ed., 6.1).
func (c *cross) coherent() (power, deviation, nothing, own float64) {
	c.each(func(f int, weight float64) {
		part, noise := c.part(f)
		power += weight * (part - noise)
		nothing += weight * weight * noise * noise
		deviation += weight * weight * noise * (noise + 2*max(0, part-noise))
		own += weight * c.xx[f]
	})
	return power, math.Sqrt(2 * deviation), math.Sqrt(2 * nothing), own // 2: neighbouring bins of the window are correlated
}

// part returns the power of the coherent part in a bin, and how much of it is due to noise.
func (c *cross) part(f int) (part, noise float64) {
	part = (real(c.xy[f])*real(c.xy[f]) + imag(c.xy[f])*imag(c.xy[f])) / c.xx[f]
	return part, max(0, c.yy[f]-part) / float64(max(1, c.count-1))
}

// rotated returns the sums for the second sound advanced by frames.
func (c *cross) rotated(frames float64) *cross {
	r := *c
	r.xy = make([]complex128, len(c.xy))
	for f, v := range c.xy {
		sin, cos := math.Sincos(2 * math.Pi * float64(f) * frames / float64(c.length))
		r.xy[f] = v * complex(cos, sin)
	}
	return &r
}
