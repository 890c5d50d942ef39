package conversation

import (
	"math"
	"math/cmplx"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/internal/timemap"
)

// cross are sums of spectra of windows of two microphones, the second one's read where a
// map has them.
type cross struct {
	rate, length int
	count        int
	xx, yy       []float64
	xy           []complex128
}

// crossOf sums up windows of a length, from the frames of microphone i that are named.
func (m *measurement) crossOf(place timemap.Map, i, j, length int, from []int64) (*cross, error) {
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
	c := &cross{m.rate, length, len(from), make([]float64, length/2+1), make([]float64, length/2+1), make([]complex128, length/2+1)}
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
		for f := range a {
			c.xx[f] += real(a[f])*real(a[f]) + imag(a[f])*imag(a[f])
			c.yy[f] += real(b[f])*real(b[f]) + imag(b[f])*imag(b[f])
			c.xy[f] += b[f] * cmplx.Conj(a[f])
		}
	}
	return c, nil
}

// add adds the sums of more windows.
func (c *cross) add(more *cross) {
	c.count += more.count
	for f := range c.xx {
		c.xx[f] += more.xx[f]
		c.yy[f] += more.yy[f]
		c.xy[f] += more.xy[f]
	}
}

// each visits the bins from 80 Hz to 0.45 of the rate with their K-weighting of power,
// scaled so that sums are mean squares.
func (c *cross) each(visit func(f int, weight float64)) {
	sections := measure.KWeighting(float64(c.rate))
	scale := 2 / (float64(c.length) * 0.375 * float64(c.length) * float64(max(1, c.count))) // 0.375: mean square of the window
	for f := 80 * c.length / c.rate; f < 45*c.length/100; f++ {
		if f == 0 || c.xx[f] == 0 {
			continue
		}
		weight := scale
		for _, s := range sections {
			h := cmplx.Abs(s.Response(float64(f)*float64(c.rate)/float64(c.length), float64(c.rate)))
			weight *= h * h
		}
		visit(f, weight)
	}
}

// coherent is the power of that part of the second microphone's sound which follows the
// first one's, its standard error, that error where nothing follows, and the power of the first. In each bin the part is
// |Sxy|²/Sxx, less what noise of the second microphone adds to it: the residue over the
// windows that are free (least squares with one unknown; Bendat and Piersol, "Random
// Data", 4th ed., 6.1).
func (c *cross) coherent() (power, deviation, nothing, own float64) {
	c.each(func(f int, weight float64) {
		part, noise := c.part(f)
		power += weight * (part - noise)
		nothing += weight * weight * noise * noise
		deviation += weight * weight * noise * (noise + 2*max(0, part-noise))
		own += weight * c.xx[f]
	})
	return power, math.Sqrt(2 * deviation), math.Sqrt(2 * nothing), own // 2: neighbouring bins of the window are alike
}

// part is the squared magnitude of what follows, and of it what noise explains.
func (c *cross) part(f int) (part, noise float64) {
	part = (real(c.xy[f])*real(c.xy[f]) + imag(c.xy[f])*imag(c.xy[f])) / c.xx[f]
	return part, max(0, c.yy[f]-part) / float64(max(1, c.count-1))
}

// delay is by how many frames the second sound is later than the map has it, between the
// frames, and whether it is inverted there. Each bin's phase counts by its coherence, as
// for the least error (Hannan and Thomson, "Estimating group delay", 1973). The standard
// error is the least one that noise of that coherence allows (Knapp and Carter, 1976),
// with the bins of the window, which are alike, counted once in 1.5.
func (c *cross) delay() (frames, deviation float64, inverted bool) {
	phases := make([]complex128, len(c.xy))
	information := 0.0
	c.each(func(f int, _ float64) {
		part, noise := c.part(f)
		if c.yy[f] == 0 || part <= noise {
			return
		}
		coherence := min(0.9999, (part-noise)/c.yy[f])
		turn := 2 * math.Pi * float64(f) / float64(c.length)
		information += 2 * float64(c.count) * turn * turn * coherence / (1 - coherence) / 1.5
		phases[f] = c.xy[f] / complex(cmplx.Abs(c.xy[f])*(1-coherence)/coherence, 0)
	})
	lags := spectra.NewFFT(c.length).Sequence(nil, phases)
	best := 0
	for n, v := range lags {
		if math.Abs(v) > math.Abs(lags[best]) {
			best = n
		}
	}
	if best > c.length/2 {
		best -= c.length
	}
	at, value := spectra.Crest(phases, c.length, float64(best))
	return at, 1 / math.Sqrt(information), value < 0
}
