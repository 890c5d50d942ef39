package instrument

import (
	"fmt"
	"math"

	"github.com/boothbench/boothbench/dsp"
	"github.com/boothbench/boothbench/measure"
	"github.com/boothbench/boothbench/measure/stimulus"
)

// DetectorType measures whether a level-dependent stage measures peaks or rms. It finds the
// sine that has the same effect as a pair of tones whose crest factor is 3.01 dB higher. The
// tones have to be at a level at which the stage changes its gain.
type DetectorType struct {
	Tones   stimulus.CrestTones
	DriveDB float64 // a gain ahead of the device (see Driven), for the levels in the reason
}

// Stimulus is the tones.
func (d DetectorType) Stimulus() stimulus.Signal { return d.Tones }

// leastGainChangeDB is the least change of gain over the sines: with less, their levels cannot
// be distinguished.
const leastGainChangeDB = 0.5

// Analyse reads detector_crest_db: how many dB a sine's rms has to be over the pair's for the
// same gain. It is 0 for an rms detector, 3.01 for a peak detector.
func (d DetectorType) Analyse(rate int, response Response) (measure.Readings, error) {
	_, end := d.Tones.Step(len(stimulus.CrestSteps()), rate)
	return eachChannel(response, 0, end, func(x []float64) measure.Readings {
		var r measure.Readings
		r.Add("detector_crest_db", d.reading(rate, x))
		return r
	})
}

func (d DetectorType) reading(rate int, x []float64) measure.Reading {
	r := measure.Reading{Unit: "dB", Reference: "the rms of the pair of tones", Definition: "rms of the sine to which the gain is the same as to the pair; 0: rms detector, 3.01: peak detector"}
	part := func(i int) []float64 { // settled, and before the next sound
		from, to := d.Tones.Step(i, rate)
		return x[from+(to-from)*3/5 : from+(to-from)*4/5]
	}
	steps := stimulus.CrestSteps()
	gains := make([]float64, len(steps))
	for i, db := range steps {
		gains[i] = toneLevel(part(i+1), d.Tones.Hz, rate) - d.Tones.PeakDBFS - db
	}
	low, high := d.Tones.Pair()
	each := d.Tones.PeakDBFS + dsp.PowerToDB(0.5)
	pair := (toneLevel(part(0), low, rate)+toneLevel(part(0), high, rate))/2 - each
	last := len(steps) - 1
	if change := math.Abs(gains[last] - gains[0]); !(change >= leastGainChangeDB) {
		r.Reason = fmt.Sprintf("the gain changes by %.2f dB only from %.1f to %.1f dBFS; give a level at which the stage works", change,
			d.Tones.PeakDBFS+d.DriveDB+steps[0], d.Tones.PeakDBFS+d.DriveDB+steps[last])
		return r
	}
	for i := range last {
		a, b := gains[i]-pair, gains[i+1]-pair
		if a == 0 || a < 0 != (b < 0) {
			r.Value = steps[i] + (steps[i+1]-steps[i])*a/(a-b)
			return r
		}
	}
	r.Reason = fmt.Sprintf("no sine from %g to %g dB against the pair's rms has the same gain", steps[0], steps[last])
	return r
}
