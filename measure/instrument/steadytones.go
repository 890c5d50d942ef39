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

// steadyTones is a stretch of sound taken apart into the tones that were played
// and the rest: noise, distortion, hum. The tones are subtracted, not filtered
// out, so that nothing of them is left that could leak.
type steadyTones struct {
	hz    []float64 // as found
	sines []complex128
	rest  []float64
	lines *spectra.Lines // of the rest
	rate  int
}

// takeApart finds the tones near the frequencies in Hz, whose ratios are true:
// the last result is by how much a recorder's clock is off. It returns a reason if
// they are not there.
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
		found = hz[last] // noise was followed, not the tone
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
			return nil, fmt.Sprintf("undecided: no tone of %g Hz stands %d dB over the noise around it", hz[i], leastOverNoiseDB)
		}
	}
	return t, ""
}

const (
	// mostClockError is how far off a clock is looked for: crystals keep to
	// 100 ppm. (common practice, no source)
	mostClockError = 1000e-6
	// leastOverNoiseDB is how far a tone has to stand over the noise in the
	// bandwidth of its line. (common practice, no source)
	leastOverNoiseDB = 20
)

// What lies more than 280 dB below a tone is the rounding of 64-bit arithmetic, in
// the device or here.
const (
	roundingOfTones = 1e-14
	roundingText    = "at the rounding of 64-bit arithmetic, 280 dB below the tone: an upper bound"
)

// peak is the amplitude of a tone.
func (t *steadyTones) peak(i int) float64 { return cmplx.Abs(t.sines[i]) }

// line is the amplitude of what the rest holds at a frequency, and how sure that
// is.
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
	// A line that noise has added to is lower by more dB than one that it took from is higher.
	return peak, fmt.Sprintf("±%.2g dB, 95 %% of what the noise around it does", max(1e-6, -dsp.AmplitudeToDB(1-spectra.TwoDeviations*sigma)))
}

// leastLineOverNoise is the power over that of the noise around it from which on a line is
// one: noise alone reaches it with a chance of e^-9, and 95 % of what noise does to such a
// line is less than 6 dB. Of twice its amplitude, e^-4, one of 54 lines of noise was read as
// a harmonic, with ±14 dB.
const leastLineOverNoise = 9

const underNoiseText = "no more than the noise around it: an upper bound"

// most is line, or what a line under the noise may have at most: the noise may have taken
// from it as well as added to it.
func (t *steadyTones) most(hz float64) (peak float64, bound string) {
	peak, bound = t.line(hz)
	if bound == underNoiseText {
		peak += spectra.ThreeDeviations * math.Sqrt(t.lines.NoiseAround(hz)/2)
	}
	return peak, bound
}

// lineSum is a sum of lines by power, and what noise may have done to it.
type lineSum struct {
	power    float64 // of all lines
	clear    float64 // of those that stand over the noise
	noise    float64 // that noise adds to the lines that do not
	variance float64 // of the power of the others
}

// add adds a line of a peak, beside which noise has a mean square.
func (s *lineSum) add(peak, noise float64) {
	power := peak * peak
	s.power += power
	if power < leastLineOverNoise*noise {
		s.noise += power
		return
	}
	s.clear += power
	// A power a² is off by 2a·e, of which the noise beside the line has half its power
	// in phase with it, and by e².
	s.variance += 2*power*noise + noise*noise
}

func (s *lineSum) rms() float64 { return math.Sqrt(s.power) }

// bound is how sure the sum is.
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

// fits reports whether a line at a frequency is clear of 0 and of half the rate.
func (t *steadyTones) fits(hz float64) bool {
	clear := spectra.LobeBins * t.lines.BinHz()
	return hz > clear && hz < float64(t.rate)/2-clear
}

// level is the mean square of the rest through a weighting of power.
func (t *steadyTones) level(weight func(hz float64) float64) float64 {
	return spectra.Of(t.rest, t.rate).Level(weight)
}
