package conversation

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"github.com/boothbench/boothbench/dsp/dsptest"
	"github.com/boothbench/boothbench/dsp/dsptest/takes"
	"github.com/boothbench/boothbench/dsp/vector"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// information is the Fisher information on the delay of a voice in another microphone, from the
// parts of a recording in which the voice speaks alone.
type information struct {
	sum     float64 // 1/frames²
	centre  float64 // frames
	squares float64 // of the distances from the centre: 1/frames² · frames²
}

// boundFrames is the length of the windows over which the information is summed: a twelfth of a
// second at 48 kHz.
const boundFrames = 4096

// informationOf returns the information for a known voice and for noises of known spectra. It
// is the sum over windows and frequencies of
//
//	2 ω² |G S|² / (N of the other microphone + |G|² N of its own)
//
// and no unbiased estimator has a variance below its inverse (Cramér and Rao; for delays
// Carter, "Coherence and time delay estimation", Proc. IEEE 75, 1987, with C/(1−C) = |G S|²/N).
// The windows are Hann windows that overlap by half, so that all energy counts. Windows with
// sharp edges would leak a voice's low frequencies into the high ones and so overstate the
// information. Windows in which the other voices exceed the noise do not count. Only planted
// values are used, none that the measurement has read.
func (s *scene) informationOf(i, j int) information {
	var others []float64
	for k := range s.voices {
		if k != i {
			others = sumOf(others, windowPowers(s.image(k, j)))
		}
	}
	return s.information(i, j, others, s.noiseSpectrum())
}

// windowPowers returns the mean squares of the windows of the bound.
func windowPowers(x []float64) (all []float64) {
	for at := 0; at+boundFrames <= len(x); at += boundFrames / 2 {
		all = append(all, vector.SumOfSquares(x[at:at+boundFrames])/boundFrames)
	}
	return all
}

func sumOf(a, b []float64) []float64 {
	if a == nil {
		return slices.Clone(b)
	}
	takes.Add(a, b, 0)
	return a
}

// noiseSpectrum returns the spectrum of the microphones' noise at 0 dBFS, as the mean square of
// a window's coefficients.
func (s *scene) noiseSpectrum() []float64 {
	fft, window := fourier.NewFFT(boundFrames), spectra.Hann(boundFrames)
	x := takes.Coloured(64*boundFrames, s.rate, 1, s.rng)
	gain := math.Pow(10, -takes.BandLevel(x, s.rate, 20, float64(s.rate)/2)/10)
	power := make([]float64, boundFrames/2+1)
	for at := 0; at < len(x); at += boundFrames {
		part := x[at : at+boundFrames]
		for n := range part {
			part[n] *= window[n]
		}
		for f, v := range fft.Coefficients(nil, part) {
			power[f] += gain * (real(v)*real(v) + imag(v)*imag(v)) / 64
		}
	}
	return power
}

// information is informationOf for given powers of the other voices in each window and a given
// noise spectrum.
func (s *scene) information(i, j int, others, noise []float64) (all information) {
	fft, window := fourier.NewFFT(boundFrames), spectra.Hann(boundFrames)
	limit, own := math.Pow(10, s.noise[j]/10), math.Pow(10, s.noise[i]/10)
	gain := math.Pow(10, s.bleedDB[i][j]/10)
	part := make([]float64, boundFrames)
	var bins []complex128
	var first, second float64
	for k, power := range others {
		if power > limit {
			continue
		}
		at := k * boundFrames / 2
		for n, w := range window {
			part[n] = w * s.voices[i][at+n]
		}
		here := 0.0
		bins = fft.Coefficients(bins, part)
		for f, v := range bins {
			turn := 2 * math.Pi * float64(f) / boundFrames
			if f < 80*boundFrames/s.rate || f >= 45*boundFrames/100 {
				continue
			}
			here += 2 * turn * turn * gain * (real(v)*real(v) + imag(v)*imag(v)) / (noise[f] * (limit + gain*own))
		}
		here /= 2 // every frame is in two windows
		place := float64(at) + boundFrames/2
		all.sum, first, second = all.sum+here, first+here*place, second+here*place*place
	}
	all.centre = first / all.sum
	all.squares = second - first*all.centre
	return all
}

// leastDeviation returns the least possible standard error in frames of a delay at the start.
// Both paths between two microphones contribute to the drift of their clocks.
func (s *scene) leastDeviation(i, j int) float64 {
	there := s.informationOf(i, j)
	variance := 1 / there.sum
	if s.driftPPM[i] != s.driftPPM[j] {
		variance += there.centre * there.centre / (there.squares + s.informationOf(j, i).squares)
	}
	return math.Sqrt(variance)
}

// overBound returns the errors of the delays and their standard errors, both divided by the
// least possible standard error.
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

// A delay is accurate to 0.02 frames wherever the bound allows it: where 0.02 frames are three
// times the least standard error. Over many noises, levels and bleeds the rms error is within
// 1.25 times the bound, and not below it; the number of delays gives that ratio an uncertainty
// of 0.06.
func TestDelaysReachTheLeastPossibleError(t *testing.T) {
	draws, seconds := 1, 20.0
	if dsptest.IsExhaustive() {
		draws, seconds = 10, 40
	}
	var overs []float64
	sharp, worst := 0, 0.0
	for _, seed := range dsptest.Some(1, []uint64{5, 9, 2, 6}) { // two voices at 48 kHz, and three
		s := newScene(t, 2+int(seed)/2%2, seconds, seed)
		for i := range s.bleedDB {
			clear(s.bleedDB[i])
		}
		images, powers, noises := make([][][]float64, len(s.voices)), make([][][]float64, len(s.voices)), make([][]float64, len(s.voices))
		for i := range s.voices {
			noises[i] = takes.Coloured(len(s.voices[0]), s.rate, 1, s.rng)
			level := takes.BandLevel(noises[i], s.rate, 20, float64(s.rate)/2)
			for n := range noises[i] {
				noises[i][n] *= math.Pow(10, -level/20)
			}
			for j := range s.voices {
				images[i] = append(images[i], s.image(i, j))
				powers[i] = append(powers[i], windowPowers(images[i][j]))
			}
		}
		spectrum := s.noiseSpectrum()
		for range draws {
			sounds := make([][]float64, len(s.voices))
			for j := range sounds {
				s.noise[j] = -62 + 14*s.rng.Float64()
				sounds[j] = make([]float64, len(s.voices[0]))
				gain, at := math.Pow(10, s.noise[j]/20), s.rng.IntN(len(sounds[j]))
				for n := range sounds[j] {
					sounds[j][n] = gain * noises[j][(n+at)%len(sounds[j])]
				}
				for i := range s.voices {
					if i != j {
						s.bleedDB[i][j] = -12 - 14*s.rng.Float64()
					}
					gain := math.Pow(10, s.bleedDB[i][j]/20)
					for n, v := range images[i][j] {
						sounds[j][n] += gain * v
					}
				}
			}
			for _, p := range measured(t, s.rate, sounds).Paths {
				i, j := p.Voice, p.Microphone
				var others []float64
				for k := range s.voices {
					if k != i {
						power := slices.Clone(powers[k][j])
						for n := range power {
							power[n] *= math.Pow(10, s.bleedDB[k][j]/10)
						}
						others = sumOf(others, power)
					}
				}
				bound := 1 / math.Sqrt(s.information(i, j, others, spectrum).sum)
				if p.DelayFrames == nil {
					if bound <= 0.02 {
						t.Errorf("seed %d, voice %d in %d: no delay, where ± %.4f frames are possible: %s", seed, i, j, bound, p.Reason)
					}
					continue
				}
				off := *p.DelayFrames - s.delay[i][j]
				overs = append(overs, off/bound)
				if bound <= 0.02/3 {
					sharp, worst = sharp+1, max(worst, math.Abs(off))
				}
				if bound <= 0.02/3 && math.Abs(off) > 0.02 || math.Abs(off) > 5*math.Max(bound, *p.DelayDeviationFrames) {
					t.Errorf("seed %d, voice %d in %d, bleed %.1f dB, noises %.1f and %.1f dBFS: off %.4f frames, where ± %.4f are possible; stated ± %.4f", seed, i, j, s.bleedDB[i][j], s.noise[i], s.noise[j], off, bound, *p.DelayDeviationFrames)
				}
				t.Logf("seed %d, voice %d in %d: bound %.4f, stated %.2f, off %.2f of it", seed, i, j, bound, *p.DelayDeviationFrames/bound, off/bound)
			}
		}
	}
	over := rootMeanSquare(overs)
	if len(overs) >= 150 && (over > 1.25 || over < 0.85) {
		t.Errorf("the errors of %d delays are %.2f times the least that they can be", len(overs), over)
	}
	t.Logf("%d delays, errors %.2f of the bound; of %d that can be known to 0.02 frames the worst is %.4f off", len(overs), over, sharp, worst)
}
