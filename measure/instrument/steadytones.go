package instrument

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure/internal/planes"
	"github.com/boothbench/boothbench/measure/internal/spectra"
)

// steadyTones is a stretch of sound, separated into the tones that were played and the rest:
// noise, distortion, hum. The tones are subtracted, not filtered out, so that they cannot leak
// into the rest.
type steadyTones struct {
	hz    []float64 // as measured
	sines []complex128
	rest  []float64
	lines *spectra.Lines // of the rest
	rate  int
}

// takeApart finds the tones near the frequencies in Hz. A recorder's clock may shift the
// frequencies, but not their ratios. It returns a reason if the tones are not there.
func takeApart(x []float64, rate int, hz ...float64) (*steadyTones, string) {
	if n := planes.FirstNonFinite(dsp.Block{x}); n >= 0 {
		return nil, fmt.Sprintf("NaN or infinite sample at frame %d of the steady part", n)
	}
	if !slices.ContainsFunc(x, func(v float64) bool { return v != 0 }) {
		return nil, "silence"
	}
	t := &steadyTones{rest: slices.Clone(x), rate: rate}
	last := len(hz) - 1
	whole := spectra.NewLines(x, rate)
	found := spectra.Refine(x, rate, hz[last])
	if math.Abs(found/hz[last]-1) > mostClockError || cmplx.Abs(whole.At(found)) < cmplx.Abs(whole.At(hz[last])) {
		found = hz[last] // the search found noise, not the tone
	}
	for _, f := range hz {
		f *= found / hz[last]
		t.hz = append(t.hz, f)
		t.sines = append(t.sines, whole.At(f))
	}
	for i, f := range t.hz {
		spectra.Subtract(t.rest, rate, f, t.sines[i])
	}
	t.lines = spectra.NewLines(t.rest, rate)
	for i, f := range t.hz {
		if power := t.peak(i) * t.peak(i); power < dsp.DBToPower(leastOverNoiseDB)*t.lines.NoiseAround(f) {
			return nil, fmt.Sprintf("undecided: no tone of %g Hz is %d dB above the noise around it", hz[i], leastOverNoiseDB)
		}
	}
	return t, ""
}

const (
	// mostClockError is the largest clock error that is searched: crystals keep to 100 ppm.
	// (common practice, no source)
	mostClockError = 1000e-6
	// leastOverNoiseDB is by how much a tone has to exceed the noise in the bandwidth of its
	// line. (common practice, no source)
	leastOverNoiseDB = 20
)

// Amplitudes more than 280 dB below a tone come from the rounding of 64-bit arithmetic, in the
// device or here.
const (
	roundingOfTones = 1e-14
	roundingText    = "at the rounding of 64-bit arithmetic, 280 dB below the tone: an upper bound"
)

// peak is the amplitude of a tone.
func (t *steadyTones) peak(i int) float64 { return cmplx.Abs(t.sines[i]) }

// line is the amplitude of the rest at a frequency, with its uncertainty.
func (t *steadyTones) line(hz float64) (peak float64, bound string) {
	peak = cmplx.Abs(t.lines.At(hz))
	for i := range t.sines {
		if peak < roundingOfTones*t.peak(i) {
			return peak, roundingText
		}
	}
	noise := t.lines.NoiseAround(hz)
	if peak*peak < leastLineOverNoise*noise {
		return peak, underNoiseText
	}
	// The noise has half its power in phase with the line.
	sigma := math.Sqrt(noise/2) / peak
	// A line that noise has reduced is too low by more dB than one that noise has increased is
	// too high.
	return peak, fmt.Sprintf("±%.2g dB, 95 %% of what the noise around it does", max(1e-6, -dsp.AmplitudeToDB(1-spectra.TwoDeviations*sigma)))
}

// leastLineOverNoise is the least power of a line relative to the noise around it. Noise alone
// reaches it with a probability of e^-9, and 95 % of its effects on such a line are below 6 dB.
// With a factor of 4 (e^-4), one of 54 lines of noise would be read as a harmonic, with ±14 dB.
const leastLineOverNoise = 9

const underNoiseText = "no more than the noise around it: an upper bound"

// most is line or, for a line below the noise, the largest amplitude that it may have: noise
// may have reduced it as well as increased it.
func (t *steadyTones) most(hz float64) (peak float64, bound string) {
	peak, bound = t.line(hz)
	if bound == underNoiseText {
		peak += spectra.ThreeDeviations * math.Sqrt(t.lines.NoiseAround(hz)/2)
	}
	return peak, bound
}

// lineSum is the power sum of some lines, and the effect of noise on it.
type lineSum struct {
	power    float64 // of all lines
	clear    float64 // of those that exceed the noise
	noise    float64 // power of the lines that do not exceed the noise
	variance float64 // of the power of the lines in clear
}

// add adds a line with a peak amplitude, beside which noise has a mean square.
func (s *lineSum) add(peak, noise float64) {
	power := peak * peak
	s.power += power
	if power < leastLineOverNoise*noise {
		s.noise += power
		return
	}
	s.clear += power
	// The power a² has an error of 2a·e + e². Half of the power of the noise beside the line is
	// in phase with it.
	s.variance += 2*power*noise + noise*noise
}

func (s *lineSum) rms() float64 { return math.Sqrt(s.power) }

// bound is the uncertainty of the sum.
func (s *lineSum) bound() string {
	if s.power == 0 {
		return ""
	}
	if s.noise >= s.clear {
		return "no more than the noise around the lines: an upper bound"
	}
	off := s.noise + spectra.TwoDeviations*math.Sqrt(s.variance)
	return fmt.Sprintf("±%.2g dB, 95 %% of what the noise around the lines does", max(1e-6, -dsp.PowerToDB(max(1e-3, 1-off/s.power))))
}

// fits reports whether a line at a frequency is separate from 0 and from half the rate.
func (t *steadyTones) fits(hz float64) bool {
	clear := spectra.LobeBins * t.lines.BinHz()
	return hz > clear && hz < float64(t.rate)/2-clear
}

// level is the mean square of the rest, weighted by a power gain.
func (t *steadyTones) level(weight func(hz float64) float64) float64 {
	return spectra.Of(t.rest, t.rate).Level(weight)
}
