package take

import (
	"math"
	"slices"

	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// steadiness compares how much the level of a noise moves from one 50 ms frame to
// another, octave by octave, with how much steady Gaussian noise would: the level of a
// band moves by 4.34 dB times the relative deviation of its power, which falls with the
// root of bandwidth times time (chi-square law). A room reads 1 to 1.5, speech without
// pauses 4 and more. (Own statistic.)
type steadiness struct {
	length  int // of a spectrum, in frames
	window  []float64
	fft     *spectra.FFT
	bins    []complex128
	frameX  []float64
	octaves []octave
}

type octave struct {
	first, last int // bins
	deviation   float64
	counts      *levelCounts
}

func newSteadiness(rate int) *steadiness {
	length := 16
	for length*2 <= hopOf(rate) {
		length *= 2
	}
	s := &steadiness{length: length, window: spectra.Hann(length), fft: spectra.NewFFT(length), bins: make([]complex128, length/2+1)}
	binHz := float64(rate) / float64(length)
	blocks := s.blocks(2 * hopOf(rate))
	for hz := 200.0; hz*math.Sqrt2 <= 0.45*float64(rate) && hz <= 6400; hz *= 2 {
		o := octave{first: int(math.Ceil(hz / math.Sqrt2 / binHz)), last: int(math.Ceil(hz*math.Sqrt2/binHz)) - 1, counts: newLevelCounts()}
		if o.last < o.first {
			continue
		}
		// Powers of neighbouring bins under a Hann window are correlated by 4/9, of
		// the next ones by 1/36; those of blocks that overlap by half by 1/36.
		k := float64(o.last - o.first + 1)
		bins := (k + 2*(k-1)*4/9 + 2*max(0, k-2)/36) / (k * k)
		times := (blocks + 2*(blocks-1)/36) / (blocks * blocks)
		o.deviation = 10 / math.Ln10 * math.Sqrt(bins*times)
		s.octaves = append(s.octaves, o)
	}
	return s
}

// blocks is the number of spectra in a frame.
func (s *steadiness) blocks(frame int) float64 {
	return float64((frame-s.length)/(s.length/2) + 1)
}

// frame adds a frame of 50 ms, in two halves.
func (s *steadiness) frame(first, second []float64) {
	s.frameX = append(append(s.frameX[:0], first...), second...)
	sums := make([]float64, len(s.octaves))
	for from := 0; from+s.length <= len(s.frameX); from += s.length / 2 {
		bins := s.fft.Windowed(s.bins, s.window, s.frameX[from:from+s.length])
		for i, o := range s.octaves {
			for _, v := range bins[o.first : o.last+1] {
				sums[i] += real(v)*real(v) + imag(v)*imag(v)
			}
		}
	}
	for i, o := range s.octaves {
		o.counts.add(hundredths(sums[i] / float64(s.length*s.length)))
	}
}

// rho is the ratio of the noise's movement to that of steady noise, the median of the
// octaves; 0 where there are none.
func (s *steadiness) rho() float64 {
	var ratios []float64
	for _, o := range s.octaves {
		if o.counts.total > 0 {
			// 1.4826 median deviations are a normal distribution's deviation.
			ratios = append(ratios, 1.4826*o.counts.deviation(o.counts.quantile(0.5))/o.deviation)
		}
	}
	if len(ratios) == 0 {
		return 0
	}
	slices.Sort(ratios)
	return (ratios[(len(ratios)-1)/2] + ratios[len(ratios)/2]) / 2
}
