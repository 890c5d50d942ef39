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
	pair    spectra.Pair // a block each of two frames of 50 ms
	frames  [2][]float64
	waits   bool // the first frame waits for the second
	octaves []octave
}

type octave struct {
	first, last int // bins
	deviation   float64
	counts      *levelCounts

	both, apart float64 // of two frames: sums over bins that both add to, and that tell them apart
}

func newSteadiness(rate int) *steadiness {
	length := 16
	for length*2 <= hopOf(rate) {
		length *= 2
	}
	s := &steadiness{length: length, window: spectra.Hann(length), pair: spectra.NewPair(length)}
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
	which := 0
	if s.waits {
		which = 1
	}
	s.frames[which] = append(append(s.frames[which][:0], first...), second...)
	if s.waits = !s.waits; !s.waits {
		s.endPair(s.frames[1])
	}
}

// endPair counts the levels of two frames; the second one may be nil. With a = Z[k] and b =
// Z[n−k] of a pair, the squares of the two coefficients k are (|a|² + |b|²)/4 ± Re(ab)/2.
func (s *steadiness) endPair(second []float64) {
	for i := range s.octaves {
		s.octaves[i].both, s.octaves[i].apart = 0, 0
	}
	for from := 0; from+s.length <= len(s.frames[0]); from += s.length / 2 {
		s.pair.First(s.window, s.frames[0][from:from+s.length])
		if second == nil {
			s.pair.Second(nil, nil)
		} else {
			s.pair.Second(s.window, second[from:from+s.length])
		}
		z := s.pair.Transform()
		for i := range s.octaves {
			o := &s.octaves[i]
			re, im := z.Re[o.first:o.last+1], z.Im[o.first:o.last+1]
			mirror := len(z.Re) - o.last
			reDown, imDown := z.Re[mirror:mirror+len(re)], z.Im[mirror:mirror+len(re)]
			both, apart := 0.0, 0.0
			for k, a := range re {
				j := len(re) - 1 - k
				b, c, d := im[k], reDown[j], imDown[j]
				both += float64(a*a) + float64(b*b) + float64(c*c) + float64(d*d)
				apart += float64(a*c) - float64(b*d)
			}
			o.both, o.apart = o.both+both, o.apart+apart
		}
	}
	scale := 1 / float64(s.length*s.length)
	for i := range s.octaves {
		o := &s.octaves[i]
		o.counts.add(hundredths((o.both/4 + o.apart/2) * scale))
		if second != nil {
			o.counts.add(hundredths((o.both/4 - o.apart/2) * scale))
		}
	}
}

// rho is the ratio of the noise's movement to that of steady noise, the median of the
// octaves; 0 where there are none.
func (s *steadiness) rho() float64 {
	if s.waits {
		s.waits = false
		s.endPair(nil)
	}
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
