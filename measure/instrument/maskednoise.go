package instrument

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// Noise reduction that works in bands lowers the noise everywhere but in the bands that a tone
// holds open. So the noise close to a quiet tone shows what was removed elsewhere. The noise of
// a device without it is about as dense beside the tone as away from it, or is as dense there
// without the tone. A device whose noise follows its signal, such as one with an unsteady clock,
// has no skirts that come above its noise beside so quiet a tone.

const (
	// mostQuietToneDBFS is the loudest tone beside which the noise is compared: that of
	// AES17-2015 6.4.1 has −60 dBFS.
	mostQuietToneDBFS = -55
	// leastMaskedDB is the least difference between the densities of the noise that is reported.
	// The medians that are compared scatter by about 1 dB. (own definition; a test with random
	// devices has no finding)
	leastMaskedDB = 10
	// hiddenNoise ends the sentence of findings on noise that a device removes.
	hiddenNoise = "noise and dynamic range are those of the processing"
)

// besideToneHz are the distances from a tone in Hz between which the noise beside it is read.
// Closer than 3 Hz, a clock that wanders leaves parts of the tone.
var besideToneHz = []float64{3, 10, 30, 100}

// IsOfNoiseReduction reports whether a finding is that a device removes noise. One that is meant
// to do so has it as well.
func IsOfNoiseReduction(f measure.Finding) bool { return strings.HasSuffix(f.What, hiddenNoise) }

// HiddenNoise completes the sentence of a finding by which noise readings are not the device's.
func HiddenNoise(sentence string) string { return sentence + ": " + hiddenNoise }

// findMaskedNoise reports a quiet tone beside which the noise is denser than away from it.
func (a *Alignment) findMaskedNoise(tone stimulus.Tone) error {
	from, to := toneFrames(a.Rate, tone.Seconds, 0)
	if tone.PeakDBFS > mostQuietToneDBFS || to > a.Sound.Frames() || tone.Hz < 400 || tone.Hz > 6000 {
		return nil
	}
	from += dsp.Frames(settledToneMs, a.Rate)
	return eachPlane(a.Sound, func(c int, x []float64) error {
		if to-from < 3*2*a.Rate {
			return nil // too short for the closest band
		}
		// The pause after the tone, when its decay is over.
		without := 0.0
		if pause := x[min(len(x), to+a.Rate/8):]; len(pause) > a.Rate/5 {
			without = densityOf(pause, a.Rate).median(func(f float64) bool { return math.Abs(f-tone.Hz) < besideToneHz[len(besideToneHz)-1] })
		}
		// A lost or repeated frame leaves parts of the tone beside it, and is in one third only.
		third := (to - from) / 3
		beside, usual := math.Inf(1), 1.0
		for part := range slices.Chunk(x[from:from+3*third], third) {
			t, reason := takeApart(part, a.Rate, tone.Hz)
			if reason != "" {
				return nil
			}
			hz, density := t.hz[0], densityOf(t.rest, a.Rate)
			away := density.median(func(f float64) bool { return f > 0.3*hz && f < 0.7*hz || f > 1.3*hz && f < 2.5*hz })
			most, least := 0.0, max(away, without)
			for i, near := range besideToneHz[1:] {
				most = max(most, density.median(func(f float64) bool { d := math.Abs(f - hz); return d > besideToneHz[i] && d < near }))
			}
			if most*usual < beside*least || math.IsInf(beside, 1) {
				beside, usual = most, least
			}
		}
		if beside <= 0 || beside < usual*dsp.DBToPower(leastMaskedDB) {
			return nil
		}
		by := "and away from it there is none"
		if usual > 0 {
			by = fmt.Sprintf("%.0f dB more than away from it", dsp.PowerToDB(beside/usual))
		}
		a.Findings = append(a.Findings, measure.Finding{
			Severity: measure.Fault, Frame: -1, Channel: a.channel(c),
			What: HiddenNoise(fmt.Sprintf("close to the tone of %g dBFS there is noise, %s (noise reduction)", tone.PeakDBFS, by)),
			Do:   "switch noise reduction, gates and expanders of the path off, and record again",
		})
		return nil
	})
}

// settledToneMs is the part at a tone's start that is left out, as for its noise.
const settledToneMs = 1000

// restDensity is a power spectrum in no particular unit, with the lines that binHz separates.
type restDensity struct {
	power []float64
	binHz float64
}

// densityOf is the density of noise, in full scale squared per Hz times a constant.
func densityOf(x []float64, rate int) restDensity {
	length := spectra.FastLength(len(x))
	padded := make([]float64, length)
	energy := 0.0
	for n, v := range x {
		w := 1 - math.Cos(2*math.Pi*(float64(n)+0.5)/float64(len(x)))
		padded[n] = w * v
		energy += w * w
	}
	d := restDensity{binHz: float64(rate) / float64(length)}
	for _, v := range spectra.NewFFT(length).Coefficients(nil, padded) {
		d.power = append(d.power, (real(v)*real(v)+imag(v)*imag(v))/energy)
	}
	return d
}

// median is the median density of some frequencies: single lines, such as hum, do not change it.
// It is 0 if there are none.
func (d restDensity) median(of func(hz float64) bool) float64 {
	var all []float64
	for k, v := range d.power {
		if of(float64(k) * d.binHz) {
			all = append(all, v)
		}
	}
	if len(all) == 0 {
		return 0
	}
	slices.Sort(all)
	return all[len(all)/2]
}
