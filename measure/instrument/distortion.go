package instrument

import (
	"fmt"
	"math"
	"math/cmplx"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/internal/weighting"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// HarmonicDistortion measures what a device adds to a tone: each harmonic, their sum (THD)
// relative to the fundamental and to the whole sound, and THD+N.
//
// Gain changes within a period (a fast compressor on a low tone) appear as distortion; a gain
// that still settles appears as noise.
type HarmonicDistortion struct {
	Tone     stimulus.Tone
	Orders   int // highest harmonic; the fundamental is the first; 0 means 10
	SettleMs int // left out at the start, which includes the device's delay; 0 means 1000
}

// Stimulus is the tone.
func (h HarmonicDistortion) Stimulus() stimulus.Signal { return h.Tone }

// The band of AES17-2015: 20 Hz to 20 kHz.
const (
	bandLowHz, bandHighHz = 20, 20000
	bandText              = "20 Hz to 20 kHz"
)

// notchQ is the narrowest notch that AES17-2015 5.2.8 allows (1.2 to 3). It attenuates the
// second harmonic by 0.21 dB.
const notchQ = 3

// notch is the power gain of AES17's standard notch filter for a tone.
func notch(hz float64) func(float64) float64 {
	return func(f float64) float64 {
		x := f / hz
		a := (1 - x*x) * (1 - x*x)
		return a / (a + x*x/(notchQ*notchQ))
	}
}

// weighted is the product of power gains.
func weighted(gains ...func(float64) float64) func(float64) float64 {
	return func(hz float64) float64 {
		product := 1.0
		for _, g := range gains {
			product *= g(hz)
		}
		return product
	}
}

const lineText = "Fourier transform at the exact frequency through a 7-term cosine window (side lobes below −180 dB), its gain corrected; the fundamental was subtracted first"

// Analyse reads tone_hz, tone_dbfs, harmonicN_db and _percent, thd_fundamental,
// thd_total and thd_plus_noise, each _db and _percent.
func (h HarmonicDistortion) Analyse(rate int, response Response) (measure.Readings, error) {
	if h.Orders == 0 {
		h.Orders = 10
	}
	from, to := toneFrames(rate, h.Tone.Seconds, h.SettleMs)
	return eachChannel(response, from, to, func(x []float64) measure.Readings { return h.readings(x, rate) })
}

func (h HarmonicDistortion) readings(x []float64, rate int) measure.Readings {
	var r measure.Readings
	t, reason := takeApart(x, rate, h.Tone.Hz)
	if reason == "" && (h.Tone.Hz < bandLowHz || h.Tone.Hz > bandHighHz) {
		reason = fmt.Sprintf("%g Hz lies outside the band of %s", h.Tone.Hz, bandText)
	}
	if reason != "" {
		r.Add("tone_hz", measure.Reading{Unit: "Hz", Reason: reason})
		r.Add("tone_dbfs", measure.Reading{Unit: "dBFS", Reason: reason})
		for _, name := range []string{"thd_fundamental", "thd_total", "thd_plus_noise"} {
			r.AddRatio(name, 0, measure.Reading{Reason: reason})
		}
		return r
	}
	addTone(&r, "tone", t, 0)

	fundamental, counted := t.peak(0), 0
	var harmonics lineSum
	bandwidth := func() string {
		return fmt.Sprintf("harmonics 2 to %d up to 20 kHz", counted)
	}
	for k := 2; k <= h.Orders; k++ {
		hz := float64(k) * t.hz[0]
		about := measure.Reading{Reference: "the fundamental", Weighting: "none", Definition: lineText}
		peak := 0.0
		switch {
		case !t.fits(hz):
			about.Reason = fmt.Sprintf("%.6g Hz is not below %.6g Hz, half the rate; folded harmonics count in THD+N", hz, float64(rate)/2)
		case hz > bandHighHz:
			about.Reason = fmt.Sprintf("%.6g Hz lies above the band of %s", hz, bandText)
		default:
			peak, about.Bound = t.most(hz)
			harmonics.add(cmplx.Abs(t.lines.At(hz)), t.lines.NoiseAround(hz))
			counted = k
		}
		r.AddRatio(fmt.Sprintf("harmonic%d", k), peak/fundamental, about)
	}
	residue := weighted(weighting.AudioBand)
	total := math.Sqrt(fundamental*fundamental + 2*t.level(residue))
	thd := measure.Reading{Weighting: "none", Bandwidth: bandwidth(), Bound: harmonics.bound()}
	thd.AddBound("harmonics above the band or above half the rate are left out")
	if counted == 0 {
		thd.Reason = fmt.Sprintf("no harmonic of %g Hz lies in the band", h.Tone.Hz)
	}
	thd.Reference, thd.Definition = "the fundamental", "rms of the harmonics over that of the fundamental"
	r.AddRatio("thd_fundamental", harmonics.rms()/fundamental, thd)
	thd.Reference, thd.Definition = "all of the sound in the band", "IEC 60268-3 14.12.3.2: rms of the harmonics over the total rms"
	r.AddRatio("thd_total", harmonics.rms()/total, thd)
	ratio, spectrum := thdPlusNoise(t)
	bound := finiteNoise(spectrum, weighted(weighting.AudioBand, notch(t.hz[0])))
	if ratio < 10*roundingOfTones {
		bound = roundingText
	}
	r.AddRatio("thd_plus_noise", ratio, measure.Reading{
		Bound: bound, Reference: "all of the sound in the band", Weighting: "none", Bandwidth: bandText,
		Definition: fmt.Sprintf("AES17-2015 6.3.1: rms after the standard notch (Q %d) over the total rms; the noise figure of a device whose gain depends on level is void", notchQ),
	})
	return r
}

// thdPlusNoise is the amplitude ratio of AES17-2015 6.3.1, and the spectrum of the sound
// without the tone.
func thdPlusNoise(t *steadyTones) (ratio float64, rest *spectra.Power) {
	spectrum := spectra.Of(t.rest, t.rate)
	tone := t.peak(0) * t.peak(0) / 2
	return math.Sqrt(spectrum.Level(weighted(weighting.AudioBand, notch(t.hz[0]))) / (tone + spectrum.Level(weighting.AudioBand))), spectrum
}

// leastStatedDB is the least uncertainty of a level that is reported.
const leastStatedDB = 0.001

// addTone adds the frequency and the level of a tone.
func addTone(r *measure.Readings, name string, t *steadyTones, i int) {
	r.Add(name+"_hz", measure.Reading{Value: t.hz[i], Unit: "Hz", Definition: "phase advance between the halves of the steady part"})
	bound := ""
	if off := dsp.AmplitudeToDB(1 + spectra.TwoDeviations*math.Sqrt(t.lines.NoiseAround(t.hz[i])/2)/t.peak(i)); off >= leastStatedDB {
		bound = fmt.Sprintf("±%.2g dB, 95 %% of what the noise around it does", off)
	}
	r.AddLevel(name+"_dbfs", t.peak(i)*t.peak(i), measure.Reading{Unit: "dBFS", Reference: "AES17-2015 3.12: a full-scale sine is 0", Weighting: "none", Definition: lineText, Bound: bound})
}
