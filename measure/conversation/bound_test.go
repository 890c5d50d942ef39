package conversation

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"github.com/boothbench/boothbench/dsp/dsptest/takes"
)

// information is how much the parts of a recording in which a voice speaks alone say of its
// delay in another microphone.
type information struct {
	sum     float64 // 1/frames²
	centre  float64 // frames
	squares float64 // of the distances from the centre: 1/frames² · frames²
}

// informationOf is the information of a voice that is known and of noises of known
// spectra: the sum over parts of a quarter of a second and over frequencies of
//
//	2 ω² |G S|² / (N of the other microphone + |G|² N of its own)
//
// whose inverse no unbiased estimator's variance is less than (Cramér and Rao; for delays
// Carter, "Coherence and time delay estimation", Proc. IEEE 75, 1987, with
// C/(1−C) = |G S|²/N). Parts in which the other voices are over the noise do not count. It
// reads what was planted, and nothing that the measurement has read.
func (s *scene) informationOf(i, j int) (all information) {
	const length = 4096
	fft := fourier.NewFFT(length)
	noise := func(mic int) []float64 {
		x := takes.Coloured(64*length, s.rate, 1, s.rng)
		gain := math.Pow(10, (s.noise[mic]-takes.BandLevel(x, s.rate, 20, float64(s.rate)/2))/20)
		power := make([]float64, length/2+1)
		for at := 0; at < len(x); at += length {
			for f, v := range fft.Coefficients(nil, x[at:at+length]) {
				power[f] += gain * gain * (real(v)*real(v) + imag(v)*imag(v)) / 64
			}
		}
		return power
	}
	own, other := noise(i), noise(j)
	meanSquare := func(x []float64) (sum float64) {
		for _, v := range x {
			sum += v * v / float64(len(x))
		}
		return sum
	}
	others := make([][]float64, 0, len(s.voices))
	for k := range s.voices {
		if k != i {
			others = append(others, s.image(k, j))
		}
	}
	limit := math.Pow(10, s.noise[j]/10)
	gain := math.Pow(10, s.bleedDB[i][j]/10)
	var first, second float64
	for at := 0; at+length <= len(s.voices[i]); at += length {
		sum := 0.0
		for _, x := range others {
			sum += meanSquare(x[at : at+length])
		}
		if sum > limit {
			continue
		}
		here := 0.0
		for f, v := range fft.Coefficients(nil, s.voices[i][at:at+length]) {
			turn := 2 * math.Pi * float64(f) / length
			if f < 80*length/s.rate || f >= 45*length/100 {
				continue
			}
			here += 2 * turn * turn * gain * (real(v)*real(v) + imag(v)*imag(v)) / (other[f] + gain*own[f])
		}
		place := float64(at) + length/2
		all.sum, first, second = all.sum+here, first+here*place, second+here*place*place
	}
	all.centre = first / all.sum
	all.squares = second - first*all.centre
	return all
}

// leastDeviation is the least standard error in frames that a delay at the beginning can
// have. Both ways between two microphones say how fast one clock is.
func (s *scene) leastDeviation(i, j int) float64 {
	there := s.informationOf(i, j)
	variance := 1 / there.sum
	if s.driftPPM[i] != s.driftPPM[j] {
		variance += there.centre * there.centre / (there.squares + s.informationOf(j, i).squares)
	}
	return math.Sqrt(variance)
}

// overBound are the errors of the delays, and their standard errors, over the least that
// they can have.
func (s *scene) overBound(t *testing.T, c *Conversation) (errors, deviations, least []float64) {
	for _, p := range c.Paths {
		if p.DelayFrames == nil {
			continue
		}
		i, j := p.Voice, p.Microphone
		bound := s.leastDeviation(i, j)
		want := (s.delay[i][j] + s.offset[j] - s.offset[i]) * (1 + s.driftPPM[j]*1e-6)
		least = append(least, bound)
		errors, deviations = append(errors, (*p.DelayFrames-want)/bound), append(deviations, *p.DelayDeviationFrames/bound)
		t.Logf("seed %d, voice %d in %d: bound %.4f, stated %.4f, off %.4f frames", s.seed, i, j, bound, *p.DelayDeviationFrames, *p.DelayFrames-want)
	}
	return errors, deviations, least
}

func rootMeanSquare(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v / float64(len(x))
	}
	return math.Sqrt(sum)
}
