package instrument

import (
	"fmt"
	"math"
	"strings"

	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/internal/spectra"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// ModulationDistortion measures how a strong low tone modulates a weak high one.
type ModulationDistortion struct {
	Tones    stimulus.TwinTone // such as stimulus.ModulationTonesSMPTE
	SettleMs int               // as in HarmonicDistortion; 0 means 1000
}

// Stimulus is the twin tone.
func (m ModulationDistortion) Stimulus() stimulus.Signal { return m.Tones }

// Analyse reads low_tone, high_tone (_hz, _dbfs) and, each _db and _percent,
// modulation_distortion2 and 3 by IEC 60268-3 and modulation_distortion_aes17.
func (m ModulationDistortion) Analyse(rate int, response Response) (measure.Readings, error) {
	return analyseTwinTone(m.Tones, m.SettleMs, rate, response, []string{"modulation_distortion2", "modulation_distortion3", "modulation_distortion_aes17"}, modulation)
}

func modulation(t *steadyTones, r *measure.Readings) {
	low, high := t.hz[0], t.hz[1]
	about := measure.Reading{Reference: "the higher tone", Weighting: "none"}
	about.Definition = "IEC 60268-3 14.12.7: sum of the amplitudes at f2±f1 over that at f2"
	addProducts(r, "modulation_distortion2", t, t.peak(1), sumOfPeaks, about, high-low, high+low)
	about.Definition = "IEC 60268-3 14.12.7: sum of the amplitudes at f2±2f1 over that at f2"
	addProducts(r, "modulation_distortion3", t, t.peak(1), sumOfPeaks, about, high-2*low, high+2*low)
	about.Definition = "AES17-2015 6.3.6: rms sum of the products at f2±f1 over the tone at f2"
	addProducts(r, "modulation_distortion_aes17", t, t.peak(1), sumOfPowers, about, high-low, high+low)
}

// DifferenceDistortion measures the products of two strong high tones. They lie where the tones
// do not mask them.
type DifferenceDistortion struct {
	Tones    stimulus.TwinTone // such as stimulus.DifferenceTonesAES17
	SettleMs int               // as in HarmonicDistortion; 0 means 1000
}

// Stimulus is the twin tone.
func (d DifferenceDistortion) Stimulus() stimulus.Signal { return d.Tones }

// Analyse reads low_tone, high_tone (_hz, _dbfs) and, each _db and _percent,
// difference_distortion2 and 3 by IEC 60268-3 and difference_distortion_aes17.
func (d DifferenceDistortion) Analyse(rate int, response Response) (measure.Readings, error) {
	return analyseTwinTone(d.Tones, d.SettleMs, rate, response, []string{"difference_distortion2", "difference_distortion3", "difference_distortion_aes17"}, difference)
}

func difference(t *steadyTones, r *measure.Readings) {
	low, high := t.hz[0], t.hz[1]
	about := measure.Reading{Reference: "the sum of both tones' amplitudes", Weighting: "none"}
	about.Definition = "IEC 60268-3 14.12.8: amplitude at f2−f1 over the sum of the tones'"
	addProducts(r, "difference_distortion2", t, t.peak(0)+t.peak(1), sumOfPeaks, about, high-low)
	about.Definition = "IEC 60268-3 14.12.8: sum of the amplitudes at 2f1−f2 and 2f2−f1 over the sum of the tones'"
	addProducts(r, "difference_distortion3", t, t.peak(0)+t.peak(1), sumOfPeaks, about, 2*low-high, 2*high-low)

	aes := measure.Reading{Reference: "the lower tone", Weighting: "none", Definition: "AES17-2015 6.3.5: rms sum of the sound in 500 Hz bands at f2−f1, 2f1−f2 and 2f2−f1 over the lower tone"}
	spectrum, power := spectra.Of(t.rest, t.rate), 0.0
	for _, centre := range []float64{high - low, 2*low - high, 2*high - low} {
		if centre+250 > float64(t.rate)/2 {
			aes.Bound = fmt.Sprintf("without the band at %.6g Hz, which half the rate cuts off", centre)
			continue
		}
		power += spectrum.Level(func(hz float64) float64 {
			if math.Abs(hz-centre) <= 250 {
				return 1
			}
			return 0
		})
	}
	r.AddRatio("difference_distortion_aes17", math.Sqrt(2*power)/t.peak(0), aes)
}

// analyseTwinTone finds both tones and adds their readings. products adds the others; if the
// tones cannot be read, the readings in names have the reason.
func analyseTwinTone(tones stimulus.TwinTone, settleMs, rate int, response Response, names []string, products func(*steadyTones, *measure.Readings)) (measure.Readings, error) {
	from, to := toneFrames(rate, tones.Seconds, settleMs)
	return eachChannel(response, from, to, func(x []float64) measure.Readings {
		var r measure.Readings
		t, reason := takeApart(x, rate, tones.LowHz, tones.HighHz)
		if reason != "" {
			for _, name := range names {
				r.AddRatio(name, 0, measure.Reading{Reason: reason})
			}
			return r
		}
		addTone(&r, "low_tone", t, 0)
		addTone(&r, "high_tone", t, 1)
		products(t, &r)
		return r
	})
}

// sumOfPeaks and sumOfPowers add the amplitude of a product to a sum.
func sumOfPeaks(sum, peak float64) float64  { return sum + peak }
func sumOfPowers(sum, peak float64) float64 { return math.Hypot(sum, peak) }

// addProducts adds a reading: the joined amplitudes at some frequencies relative to a
// reference.
func addProducts(r *measure.Readings, name string, t *steadyTones, reference float64, join func(sum, peak float64) float64, about measure.Reading, hz ...float64) {
	sum := 0.0
	var bounds []string
	for _, f := range hz {
		if !t.fits(f) {
			about.Reason = fmt.Sprintf("the product at %.6g Hz is not between 0 and %.6g Hz, half the rate", f, float64(t.rate)/2)
			break
		}
		peak, bound := t.line(f)
		sum = join(sum, peak)
		bounds = append(bounds, fmt.Sprintf("%.6g Hz: %s", f, bound))
	}
	about.Bound = strings.Join(bounds, "; ")
	r.AddRatio(name, sum/reference, about)
}
