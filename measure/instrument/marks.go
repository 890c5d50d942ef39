package instrument

import (
	"math"
	"math/cmplx"

	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/internal/timemap"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// correlation is Σ t[j] x[n+j] for every n at which the template t lies within x. It uses the
// Fourier transform of overlapping blocks.
func correlation(x, t []float64) []float64 {
	if len(x) < len(t) {
		return nil
	}
	length := 1
	for length < 4*len(t) {
		length *= 2
	}
	fft := spectra.NewFFT(length)
	block := make([]float64, length)
	copy(block, t)
	template := fft.Coefficients(nil, block)
	bins := make([]complex128, length/2+1)
	out := make([]float64, len(x)-len(t)+1)
	step := length - len(t) + 1
	for from := 0; from < len(out); from += step {
		n := copy(block, x[from:])
		clear(block[n:])
		for k, v := range fft.Coefficients(bins, block) {
			bins[k] = v * complex(real(template[k]), -imag(template[k])) / complex(float64(length), 0)
		}
		copy(out[from:], fft.Sequence(block, bins)[:min(step, len(out)-from)])
	}
	return out
}

// leastSimilarity is the least correlation coefficient of a mark with its template. Noise and
// speech reach 0.15 (tests); a mark with noise as strong as itself has 0.7.
const leastSimilarity = 0.25

// search is the correlation of a template with a recording at every frame.
type search struct {
	correlation []float64
	frame       int     // of the mark that was found
	similarity  float64 // |correlation coefficient| there: 1 for the template alone
}

func searchFor(x, t []float64) search {
	s := search{correlation: correlation(x, t)}
	similarity := similarities(x, t, s.correlation)
	for _, v := range similarity {
		s.similarity = max(s.similarity, v)
	}
	// An echo may be as similar, so the strongest is taken.
	least, strongest := s.similarity/2, 0.0
	for n, c := range s.correlation {
		if similarity[n] > least && math.Abs(c) > strongest {
			s.frame, s.similarity, strongest = n, similarity[n], math.Abs(c)
		}
	}
	return s
}

// similarities are the absolute correlation coefficients of a template with the same length of
// a sound, at every frame of their correlation.
func similarities(x, t, correlation []float64) []float64 {
	energy := 0.0
	for _, v := range t {
		energy += v * v
	}
	running, total := 0.0, 0.0
	for n, v := range x {
		total += v * v
		if n < len(t) {
			running += v * v
		}
	}
	floor := 1e-12 * total // rounding error of the running sum
	similarity := make([]float64, len(correlation))
	for n, c := range correlation {
		if running > floor {
			similarity[n] = math.Abs(c) / math.Sqrt(energy*running)
		}
		if n+len(t) < len(x) {
			running += x[n+len(t)]*x[n+len(t)] - x[n]*x[n]
		}
	}
	return similarity
}

func (s search) found() bool { return s.similarity >= leastSimilarity }

// place is where a chirp lies in a recording: the maximum of their correlation, interpolated as
// a band-limited function.
type place struct {
	frame  float64 // of the chirp's first sample
	gain   float64 // of the chirp: its least-squares fit, with its sign
	spread float64 // times noise over gain: standard deviation of the frame

	// opposed is the largest correlation of opposite sign, relative to this one: 0.6 for a path
	// without phase shift, 1 for one that shifts all frequencies by 90 degrees.
	opposed float64

	// parts is by how many frames parts of the chirp's band come later than the whole: the
	// effect of the path's phase, apart from a delay and a sign.
	parts [bandParts]float64
}

// bandParts is the number of parts of a mark's band. Each part has as much information about
// the delay.
const bandParts = 4

// mostOpposed is the largest value of opposed at which a response's sign is its polarity.
const mostOpposed = 0.9

// noPolarity is the reason why a response has no polarity.
const noPolarity = "undecided: the response is as large in one direction as in the other: the path turns the phase (an all-pass, a narrow band), and is neither as played nor inverted"

// placeChirp finds a chirp near a frame of a recording. The template is made at the recording's
// own number of frames per second. A polarity other than 0 is given to the chirp: on a path
// that shifts the phase, both marks must be placed with the same polarity.
func placeChirp(x []float64, c stimulus.Chirp, framesPerSecond float64, near int, polarity float64) place {
	t := c.Wave(framesPerSecond)
	const pad = 64
	length := 1
	for length < len(t)+2*pad {
		length *= 2
	}
	segment, template := make([]float64, length), make([]float64, length)
	for n := range length {
		if k := near - pad + n; n < len(t)+2*pad && k >= 0 && k < len(x) {
			segment[n] = x[k]
		}
	}
	copy(template, t)
	fft := spectra.NewFFT(length)
	cross, spectrum := fft.Coefficients(nil, segment), fft.Coefficients(nil, template)
	energy, slope := 0.0, 0.0 // of the template, and of its derivative with respect to the frame
	for k, v := range spectrum {
		w := 2 * math.Pi * float64(k) / float64(length)
		power := (real(v)*real(v) + imag(v)*imag(v)) * 2 / float64(length)
		energy += power
		slope += w * w * power
		cross[k] *= complex(real(v), -imag(v)) * complex(2/float64(length), 0)
	}
	value, lag, least, most := 0.0, 0.0, 0.0, 0.0
	for n, v := range fft.Sequence(segment, append([]complex128(nil), cross...))[:2*pad] {
		least, most = min(least, v), max(most, v)
		if math.Abs(v) > math.Abs(value) && polarity*v >= 0 {
			value, lag = v, float64(n)
		}
	}
	opposed := min(-least, most) / max(-least, most)
	lag, value = spectra.Crest(cross, length, lag)
	parts := partsLater(cross, length, lag, math.Copysign(1, value))
	return place{parts: parts, frame: float64(near-pad) + lag, gain: value / energy, spread: 1 / math.Sqrt(slope), opposed: opposed}
}

// partsLater is by how many frames each part of a cross-spectrum's band comes later than a lag:
// a least-squares fit of phase over frequency.
func partsLater(cross []complex128, length int, lag, sign float64) (later [bandParts]float64) {
	whole := 0.0
	for k, v := range cross {
		w := 2 * math.Pi * float64(k) / float64(length)
		whole += w * w * cmplx.Abs(v)
	}
	var sum [bandParts]struct{ phase, slope float64 }
	passed := 0.0
	for k, v := range cross {
		w := 2 * math.Pi * float64(k) / float64(length)
		part := min(int(bandParts*passed/whole), bandParts-1)
		passed += w * w * cmplx.Abs(v)
		v *= cmplx.Rect(sign, math.Mod(w*lag, 2*math.Pi))
		sum[part].phase -= w * imag(v)
		sum[part].slope += w * w * real(v)
	}
	for i, s := range sum {
		if s.slope > 0 {
			later[i] = s.phase / s.slope
		}
	}
	return later
}

// readCode reads the code after a start mark.
func readCode(x []float64, rate int, m timemap.Map, l stimulus.Layout) (hash uint32, good bool) {
	var templates [2][]float64
	for i := range templates {
		templates[i] = stimulus.SymbolChirp(rate, i == 1).Wave(float64(rate))
	}
	slack := 1 + rate/8000 // for a device's dispersion
	var bits [stimulus.CodeBits]bool
	for i := range bits {
		at := int(math.Round(m.At(l.Code + i*l.Symbol)))
		var similarity [2]float64
		for which, t := range templates {
			for shift := -slack; shift <= slack; shift++ {
				sum := 0.0
				for j, v := range t {
					if k := at + shift + j; k >= 0 && k < len(x) {
						sum += v * x[k]
					}
				}
				similarity[which] = max(similarity[which], math.Abs(sum))
			}
		}
		bits[i] = similarity[1] > similarity[0]
	}
	return stimulus.Spelled(bits)
}
