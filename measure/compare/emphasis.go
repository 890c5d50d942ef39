package compare

import (
	"math"
	"math/cmplx"

	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// emphasis is the filter through which two sounds are correlated. Its zero value takes
// the differences from frame to frame, which weigh high frequencies up. Where noise in
// one of the sounds covers these, it weighs each frequency by what both have in common.
type emphasis struct{ taps []float64 } // of odd length, symmetrical; nil: differences

const (
	emphasisSegment = 2048 // frames of a spectrum
	emphasisReach   = 255  // taps on either side of the middle
	// mostCoherence bounds the weight of a frequency at which the two agree entirely: 20
	// times that of half a coherence.
	mostCoherence = 0.95
)

// of is a sound through the filter, frame by frame as it lies. What is beyond its ends is
// taken for silence.
func (e emphasis) of(x []float64) []float64 {
	if e.taps == nil {
		return differences1(x)
	}
	half := len(e.taps) / 2
	padded := make([]float64, len(x)+2*half)
	copy(padded[half:], x)
	out := make([]float64, len(x))
	n := 0
	for ; n+1 < len(x); n += 2 { // two frames at a time by one set of taps
		s := vector.Dots2(e.taps[:2*half], padded[n:n+2*half], padded[n+1:n+1+2*half])
		last := e.taps[2*half]
		out[n], out[n+1] = s[0]+last*padded[n+2*half], s[1]+last*padded[n+1+2*half]
	}
	for ; n < len(x); n++ {
		for k, tap := range e.taps {
			out[n] += tap * padded[n+k]
		}
	}
	return out
}

// emphasisFor is the filter by which two stretches that lie on each other correlate best:
// the weight of the power at a frequency is γ²/(1−γ²) over the power that both have there,
// with the coherence γ² (Hannan and Thomson, "Estimating group delay", Biometrika 60(2)
// 1973; Knapp and Carter, "The generalized correlation method for estimation of time
// delay", IEEE Trans. ASSP-24(4) 1976). It is nil where no frequency has a coherence that
// is more than chance.
func emphasisFor(x, y []float64) *emphasis {
	fft, window := spectra.NewFFT(emphasisSegment), spectra.Hann(emphasisSegment)
	bins := emphasisSegment/2 + 1
	xx, yy, xy := make([]float64, bins), make([]float64, bins), make([]complex128, bins)
	var a, b []complex128
	segments := 0.0
	for from := 0; from+emphasisSegment <= len(x); from += emphasisSegment / 2 {
		a = fft.Windowed(a, window, x[from:from+emphasisSegment])
		b = fft.Windowed(b, window, y[from:from+emphasisSegment])
		for k := range a {
			xx[k], yy[k], xy[k] = xx[k]+square(a[k]), yy[k]+square(b[k]), xy[k]+cmplx.Conj(a[k])*b[k]
		}
		segments++
	}
	if segments < 8 {
		return nil
	}
	const beside = 3 // bins on either side that are taken together
	weights := make([]complex128, bins)
	any := false
	for k := 2; k < bins; k++ { // below lies an offset, as far as a Hann window spreads it
		var sx, sy float64
		var cross complex128
		for j := max(2, k-beside); j <= min(bins-1, k+beside); j++ {
			sx, sy, cross = sx+xx[j], sy+yy[j], cross+xy[j]
		}
		if sx == 0 || sy == 0 {
			continue
		}
		// What independent sounds have by chance: 1 over the number of averages.
		chance := 1 / (segments * (2*beside + 1) / 1.5)
		coherence := (square(cross)/(sx*sy) - 4*chance) / (1 - 4*chance)
		if coherence <= 0 {
			continue
		}
		coherence = min(coherence, mostCoherence)
		weights[k] = complex(math.Sqrt(coherence/(1-coherence)/math.Sqrt(sx*sy)), 0)
		any = true
	}
	if !any {
		return nil
	}
	response := fft.Sequence(nil, weights) // symmetrical about frame 0
	taps := make([]float64, 2*emphasisReach+1)
	taper := make([]float64, len(taps))
	sum, tapers := 0.0, 0.0
	for k := range taps {
		at := k - emphasisReach
		taper[k] = 0.5 + 0.5*math.Cos(math.Pi*float64(at)/(emphasisReach+1))
		taps[k] = response[(at+emphasisSegment)%emphasisSegment] * taper[k]
		sum, tapers = sum+taps[k], tapers+taper[k]
	}
	for k := range taps { // an offset, which all sounds may have, passes nowhere
		taps[k] -= sum * taper[k] / tapers
	}
	size := math.Sqrt(vector.SumOfSquares(taps))
	for k := range taps {
		taps[k] /= size
	}
	return &emphasis{taps}
}

// differences1 are the differences from frame to frame.
func differences1(x []float64) []float64 {
	d := make([]float64, len(x))
	before := 0.0
	for n, v := range x {
		d[n] = v - before
		before = v
	}
	return d
}
